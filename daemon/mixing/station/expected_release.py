"""When the water may be used, as it is said now: a forecast, or why there is none.

A moment that was forecast never stays behind: each minute gives another forecast, from then on,
and one that no reading has renewed is withdrawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.release_needs import release_needs
from daemon.mixing.batch.verification import LATE_S
from daemon.mixing.events import ForecastMade
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings
    from daemon.mixing.station.release_outlook import ReleaseOutlook
    from daemon.mixing.station.station_state import ReservoirState

HOLDS_S = 150.0
"""A forecast older than this is withdrawn, s: two and a half times the usual spacing."""

NOTHING_YET = "no forecast yet: too few readings since the salt came"
WHILE_SUSPENDED = "no forecast while it is not certain that the probe is in the water of the batch"
WITHOUT_READINGS = "no forecast: no reading of the last minutes can be used"


def forecast_made(
    state: ReservoirState, settings: BatchSettings | None, t_s: float
) -> ForecastMade:
    """Return what is forecast now, as an event and a snapshot have it; nothing when not mixing.

    Args:
        state: Of the reservoir.
        settings: What its batch has to be; None for a reservoir that is not configured.
        t_s: Monotonic time, s.
    """
    found = state.outlook
    if state.batch.phase is not Phase.DISSOLVING:
        return _nothing("")
    if state.batch.suspension is not None:
        return _nothing(WHILE_SUSPENDED)
    if found is None:
        return _nothing(NOTHING_YET)
    if t_s - found.made_s > HOLDS_S:
        return _nothing(WITHOUT_READINGS)
    if found.ready_at is None:
        return _nothing(found.note)
    return ForecastMade(
        found.ready_at,
        found.ready_low,
        found.ready_high,
        found.final_salinity,
        found.final_u,
        found.final_low,
        found.final_high,
        "" if settings is None else _needs(state, found, settings, t_s),
    )


def _needs(
    state: ReservoirState, found: ReleaseOutlook, settings: BatchSettings, t_s: float
) -> str:
    probe_u = state.level.u_since(t_s - LATE_S)
    u = None if found.final_u is None or probe_u is None else combine(found.final_u, probe_u)
    return release_needs(state.batch, found.final_salinity, u, t_s, settings)


def _nothing(note: str) -> ForecastMade:
    return ForecastMade(None, None, None, None, None, forecast_note=note)
