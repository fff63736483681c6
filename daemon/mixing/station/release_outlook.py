"""When the water may be used, as the station has it: a forecast, or why there is none.

A moment that was forecast never stays behind: each minute gives another forecast, from then on,
and one that no reading has renewed is withdrawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.release_needs import release_needs
from daemon.mixing.batch.verification import LATE_S
from daemon.mixing.events import ForecastMade
from daemon.mixing.seawater.uncertainty import combine
from daemon.mixing.stability.release_forecast import NOT_YET, release_forecast
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from daemon.entries import Instant
    from daemon.mixing.batch.batch_state import BatchSettings
    from daemon.mixing.stability.release_forecast import ForecastBasis, Span
    from daemon.mixing.stability.release_head import ReleaseHead
    from daemon.mixing.station.station_state import ReservoirState

HOLDS_S = 150.0
"""A forecast older than this is withdrawn, s: two and a half times the usual spacing."""

NOTHING_YET = "no forecast yet: too few readings since the salt came"
WITHOUT_READINGS = "no forecast: no reading of the last minutes can be used"
UNTRAINED = "no forecast: none was trained for this detector"


@dataclass(slots=True)
class ReleaseOutlook:
    """The last forecast of a batch.

    Attributes:
        made_s: When, s.
        ready_at: When the water is expected to be steady, ISO 8601; None where nothing is forecast.
        ready_low: Early end of an interval of 80 %.
        ready_high: Late end.
        final_salinity: Practical salinity expected, as this probe will read; None where unknown.
        final_u: Its standard uncertainty, without that of the probe.
        final_low: Low end of an interval of 80 %.
        final_high: High end.
        note: Why there is no forecast; empty where there is.
    """

    made_s: float
    ready_at: str | None = None
    ready_low: str | None = None
    ready_high: str | None = None
    final_salinity: float | None = None
    final_u: float | None = None
    final_low: float | None = None
    final_high: float | None = None
    note: str = ""

    @property
    def sort(self) -> str:
        """What it is: a forecast, none because a call is blocked, or none for lack of evidence."""
        if self.ready_at is not None:
            return "forecast"
        return "open" if self.note == NOT_YET else "blocked"


def outlook(
    head: ReleaseHead | None, basis: ForecastBasis, at: Instant, t_s: float
) -> ReleaseOutlook:
    """Return the outlook that a finding of the detector gives.

    Args:
        head: Of the release forecast; None where none was trained.
        basis: The finding.
        at: When.
        t_s: Monotonic time, s.
    """
    if head is None:
        return ReleaseOutlook(t_s, note=UNTRAINED)
    made = release_forecast(head, basis)
    found = ReleaseOutlook(t_s, note=made.note)
    if made.ready_min is not None:
        found.ready_low, found.ready_at, found.ready_high = (
            iso(at, round(minutes * 60.0)) for minutes in _parts(made.ready_min)
        )
    if made.final is not None:
        found.final_low, found.final_salinity, found.final_high = (
            round(each, 3) for each in _parts(made.final)
        )
        found.final_u = round(made.final.u, 3)
    return found


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


def _parts(span: Span) -> tuple[float, float, float]:
    return span.low, span.middle, span.high
