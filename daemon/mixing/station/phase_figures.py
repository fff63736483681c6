"""Gives the event of a release or a refusal its figures, so that who reads it alone can act."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Instant, Phase
from daemon.mixing.events import Happening, PhaseChanged
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from collections.abc import Iterable

    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

JUDGED = (Phase.READY, Phase.OFF_TARGET)


def with_figures(
    steps: Iterable[Happening], state: ReservoirState, settings: ReservoirSettings
) -> list[Happening]:
    """Return the steps, those to a judged phase with salinity, ± and until when to use it.

    Args:
        steps: What happened, in order.
        state: Of the reservoir, after these steps.
        settings: Of the reservoir.
    """
    return [
        replace(each, body=_judged(each.body, state, settings))
        if isinstance(each.body, PhaseChanged) and each.body.to in JUDGED
        else each
        for each in steps
    ]


def _judged(
    changed: PhaseChanged, state: ReservoirState, settings: ReservoirSettings
) -> PhaseChanged:
    judgement, released = state.batch.judgement, state.released_at
    use_by = None
    if changed.to is Phase.READY and released is not None:
        use_by = iso(Instant(released + timedelta(hours=settings.batch.use_within_h), 0.0))
    return replace(
        changed,
        salinity=None if judgement.salinity is None else round(judgement.salinity, 4),
        salinity_u=None if judgement.salinity_u is None else round(judgement.salinity_u, 4),
        use_by=use_by,
    )
