"""The minute summaries that old readings have become, as they are exported."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from daemon.publishing.payloads import iso_time

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.journal.reader import Reader
    from daemon.journal.summaries import Summary

SUMMARY_COLUMNS = (
    "minute",
    "reservoir",
    "probe",
    "class",
    "readings",
    "flag",
    "conductivity_min_mS_cm",
    "conductivity_mean_mS_cm",
    "conductivity_max_mS_cm",
    "temperature_min_C",
    "temperature_mean_C",
    "temperature_max_C",
    "salinity_min",
    "salinity_mean",
    "salinity_max",
    "salinity_u_mean",
    "pump_share",
    "synced",
    "calibration",
    "first_seq",
    "last_seq",
)


def kept(reader: Reader, after: int = 0) -> Iterator[Summary]:
    """Yield every summary in the journal whose first `seq` follows, in order."""
    return (each for each in _all(reader, after) if each is not None)


def spoilt(reader: Reader) -> str:
    """Say how many summaries the disk has changed; empty when none."""
    count = sum(each is None for each in _all(reader, 0))
    return f"{count} summaries were changed on the disk and are left out" if count else ""


def _all(reader: Reader, after: int) -> Iterator[Summary | None]:
    while some := reader.summaries(after):
        after = some[-1][0]
        yield from (each for _, each in some)


def summary_lines(
    reader: Reader, holds: Callable[[str, datetime], bool]
) -> Iterator[dict[str, JSON]]:
    """Return what is told of each summary of a wanted reservoir and moment."""
    return (_line(each) for each in kept(reader) if holds(each.reservoir, each.minute))


def warning(reader: Reader, holds: Callable[[str, datetime], bool]) -> str:
    """Say which of the wanted readings are no longer there as such; empty when all are."""
    old = [each for each in kept(reader) if holds(each.reservoir, each.minute)]
    if not old:
        return ""
    first = min(each.minute for each in old)
    last = max(each.minute for each in old)
    return (
        f"{sum(each.readings for each in old)} readings from {first:%Y-%m-%d %H:%M} to"
        f" {last:%Y-%m-%d %H:%M} UTC are past journal.keep_readings_days and not among these;"
        " their minute summaries come with 'brinewright export summaries'"
    )


def _line(each: Summary) -> dict[str, JSON]:
    return {
        "minute": iso_time(each.minute),
        "reservoir": each.reservoir,
        "probe": each.probe,
        "class": str(each.kind),
        "readings": each.readings,
        "flag": int(each.flag),
        "conductivity_min_mS_cm": each.conductivity.low,
        "conductivity_mean_mS_cm": each.conductivity.mean,
        "conductivity_max_mS_cm": each.conductivity.high,
        "temperature_min_C": each.temperature.low,
        "temperature_mean_C": each.temperature.mean,
        "temperature_max_C": each.temperature.high,
        "salinity_min": each.salinity.low,
        "salinity_mean": each.salinity.mean,
        "salinity_max": each.salinity.high,
        "salinity_u_mean": each.salinity_u,
        "pump_share": each.pump,
        "synced": int(each.synced),
        "calibration": each.calibration,
        "first_seq": each.first_seq,
        "last_seq": each.last_seq,
    }
