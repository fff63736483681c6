"""The lots of salt mix in the station's state, read without the rest of it.

The rest needs the detectors, which nobody who asks for lots has a use for.
"""

from __future__ import annotations

import json

from pydantic import TypeAdapter, ValidationError

from daemon.mixing.batch.lots import Lot
from daemon.mixing.station.timeline import Timeline


def stored_lots(checkpoint: str) -> tuple[dict[str, Lot], float]:
    """Return the lots by name, and the station's time, s; none and 0 where they cannot be read.

    Args:
        checkpoint: As `checkpoint.dump` wrote it, of this version or another.
    """
    try:
        whole = json.loads(checkpoint)
        state = whole.get("state", whole)
        timeline = TypeAdapter(Timeline).validate_python(state["timeline"])
        found = TypeAdapter(dict[str, Lot]).validate_python(state.get("lots", {}))
    except (ValidationError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
        return {}, 0.0
    return found, timeline.t_s
