"""What driving a fleet showed: what was due, acknowledged, waiting and lost, and how late."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.fleet.outlet import Outlet


@dataclass(frozen=True, slots=True)
class SinkFigures:
    """Of all sinks of one kind.

    Attributes:
        sink: Its kind.
        due: Entries that were made for it.
        acknowledged: Of them, those that the other side said it has.
        waiting: Of them, those that it did not.
        refused: Of the acknowledged, those that it will never take.
        failures: Deliveries that failed.
        why: The reason of one of them; empty for none.
        lag_median_s: From when an entry was due to its acknowledgement, s; None for none.
        lag_p99_s: Of 99 in 100 not longer, s.
        lag_longest_s: The longest, s.
        lag_latest_s: Of the last entry of the station that was latest in the end, s.
    """

    sink: str
    due: int
    acknowledged: int
    waiting: int
    refused: int
    failures: int
    why: str
    lag_median_s: float | None
    lag_p99_s: float | None
    lag_longest_s: float | None
    lag_latest_s: float | None


@dataclass(frozen=True, slots=True)
class FleetFigures:
    """The whole outcome.

    Attributes:
        stations: How many.
        seconds: So long they published.
        stated_per_s: Readings a second that were to be made, of all.
        entries: Readings and events that were made.
        readings: Readings among them.
        sinks: Figures by kind of sink.
        lost: Entries that the broker acknowledged and no subscriber saw; None where none looked.
        doubled: Entries that a subscriber saw more than once; None likewise.
        driver_late_s: How far this program itself was behind, at most, s.
        driver_cpu_s: Processor time that it took, s.
    """

    stations: int
    seconds: float
    stated_per_s: float
    entries: int
    readings: int
    sinks: tuple[SinkFigures, ...]
    lost: int | None
    doubled: int | None
    driver_late_s: float
    driver_cpu_s: float

    @property
    def good(self) -> bool:
        """Whether everything arrived: nothing waits, and nothing is lost or unknown."""
        return self.lost == 0 and not any(each.waiting or each.refused for each in self.sinks)


def of_sinks(outlets: Sequence[Outlet]) -> tuple[SinkFigures, ...]:
    """Return the figures of each kind of sink, in the order of their first outlets."""
    kinds = dict.fromkeys(each.sink.name for each in outlets)
    return tuple(_of(kind, [each for each in outlets if each.sink.name == kind]) for kind in kinds)


def _of(kind: str, outlets: Sequence[Outlet]) -> SinkFigures:
    lags = sorted(lag for each in outlets for lag in each.lags_s)
    latest = [each.lags_s[-1] for each in outlets if each.lags_s]
    return SinkFigures(
        sink=kind,
        due=sum(each.acknowledged + each.waiting for each in outlets),
        acknowledged=sum(each.acknowledged for each in outlets),
        waiting=sum(each.waiting for each in outlets),
        refused=sum(each.refused for each in outlets),
        failures=sum(each.failures for each in outlets),
        why=next((each.why for each in outlets if each.why), ""),
        lag_median_s=_share(lags, 0.5),
        lag_p99_s=_share(lags, 0.99),
        lag_longest_s=lags[-1] if lags else None,
        lag_latest_s=max(latest, default=None),
    )


def _share(ordered: Sequence[float], share: float) -> float | None:
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)] if ordered else None
