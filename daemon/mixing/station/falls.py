"""A fall of salinity that may be a bubble, between the detector and the batch of a reservoir."""

from __future__ import annotations

from datetime import UTC, timedelta
from typing import TYPE_CHECKING

from daemon.entries import Instant, Phase
from daemon.local_time import CLOCK, local
from daemon.mixing.batch import suspect_fall, suspension
from daemon.mixing.batch.ageing import age_h
from daemon.mixing.batch.batch_state import STEADY
from daemon.mixing.stability.cells import CELL_S
from daemon.mixing.station.last_reading import iso
from daemon.mixing.station.station_state import StandingTimes

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.mixing.events import Happening
    from daemon.mixing.stability.findings import Recovered
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState


def follow(
    state: ReservoirState, reading: Reading, t_s: float, settings: ReservoirSettings
) -> list[Happening]:
    """Suspend a batch whose salinity fell at once, or let it go on once it is back.

    Args:
        state: Of the reservoir; changed in place.
        reading: The newest.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
    """
    if state.batch.phase is Phase.DISSOLVING and state.batch.standing is None:
        # What may not be reinstated is not looked for.
        state.stability.undone = None
    if state.batch.phase is Phase.DISSOLVING and state.stability.undone is None:
        state.batch.standing = None
    watches = state.stability.settled or state.stability.drifted_index is not None
    fall = state.stability.drift_watch.fall if watches else None
    if not watches or (fall is None and not suspect_fall.is_suspect(state.batch)):
        return []
    since_s = t_s
    if fall is not None:
        since_s = min(t_s, (fall.since_index + 1) * CELL_S - state.stability.away_s)
    began = reading.at.wall - timedelta(seconds=t_s - since_s)
    return suspect_fall.follow(
        state.batch,
        fall,
        state.level,
        t_s,
        since_s,
        local(began, settings.zone or UTC, CLOCK),
        settings.batch,
        suspension.ANSWERS,
    )


def remember_times(state: ReservoirState) -> None:
    """Remember since when the water is steady, before it counts as changed."""
    state.standing = StandingTimes(state.stable_at, state.salted_at, state.verifying_since_s)


def reinstate(
    state: ReservoirState,
    found: Recovered,
    reading: Reading,
    t_s: float,
    settings: ReservoirSettings,
) -> list[Happening]:
    """Reinstate the call, and the batch as it stood, where nothing speaks against it.

    Args:
        state: Of the reservoir; changed in place.
        found: What the detector says.
        reading: The newest.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
    """
    if state.batch.phase in STEADY:
        # While the probe seemed elsewhere, the batch stayed as it was.
        state.stability.reinstate()
        return []
    if not suspect_fall.can_reinstate(state.batch, settings.batch):
        return []
    state.stability.reinstate()
    steps = suspect_fall.reinstate(state.batch, found, t_s, settings.batch)
    state.stable_at, state.salted_at = state.standing.stable_at, state.standing.salted_at
    state.level.forget_since(t_s - 60.0 * found.minutes)
    age = age_h(state.batch, t_s)
    released_at = None
    if state.batch.phase is Phase.READY and age is not None:
        released_at = iso(Instant(reading.at.wall - timedelta(hours=age), 0.0))
    return suspect_fall.with_times(steps, state.stable_at, released_at)
