"""Names of the lots that are recorded, to be proposed in forms.

Only their names are read, so that the equations behind a station's state need not be loaded.
"""

from __future__ import annotations

import json
from contextlib import suppress

from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader

MOST = 200
"""So many are proposed; any other can be typed."""


def lot_names(reader: Reader) -> tuple[str, ...]:
    """Return the names; none where there are none, or where they cannot be read."""
    with suppress(JournalError, ValueError, AttributeError):
        checkpoint = reader.checkpoint()
        whole = {} if checkpoint is None else json.loads(checkpoint[1])
        return tuple(str(each) for each in whole.get("state", whole).get("lots", {}))[:MOST]
    return ()
