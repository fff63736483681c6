"""The last forecast of a batch, as the station remembers it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.stability.release_forecast import NOT_YET, release_forecast
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from daemon.entries import Instant
    from daemon.mixing.stability.release_forecast import ForecastBasis, Span
    from daemon.mixing.stability.release_head import ReleaseHead

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


def _parts(span: Span) -> tuple[float, float, float]:
    return span.low, span.middle, span.high
