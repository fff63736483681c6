"""The minute summaries that old readings have become, as they are exported."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.journal.payloads import iso_time
from daemon.journal.selection import Selection, summaries

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


@dataclass(slots=True)
class DamageCount:
    """Summaries that the disk has changed, counted while the others go past.

    Attributes:
        count: How many.
    """

    count: int = 0

    def intact(self, some: Iterable[list[Summary | None]]) -> Iterator[Summary]:
        """Yield the summaries that were not changed."""
        for each in (each for few in some for each in few):
            if each is None:
                self.count += 1
            else:
                yield each

    def sentences(self, selection: Selection) -> list[str]:
        """Say how many were changed, if any were."""
        if not self.count:
            return []
        sentence = f"{self.count} summaries were changed on the disk and are left out"
        return [sentence if selection == Selection() else f"{sentence}; of which time is not known"]


def all_summaries(reader: Reader, after: int = 0) -> Iterator[Summary]:
    """Yield every summary in the journal whose first `seq` follows, in order."""
    while some := reader.summaries(after):
        after = some[-1][0]
        yield from (each for _, each in some if each is not None)


def summary_rows(
    reader: Reader, selection: Selection, warn: Callable[[str], None]
) -> Iterator[dict[str, JSON]]:
    """Yield a row of each selected summary; warn at the end of those that were left out.

    Args:
        reader: Of the journal.
        selection: Which summaries.
        warn: Called with a sentence on those that the disk has changed.
    """
    damage = DamageCount()
    yield from map(_row, damage.intact(summaries(reader, selection)))
    for sentence in damage.sentences(selection):
        warn(sentence)


def warnings(reader: Reader, selection: Selection) -> list[str]:
    """Say which of the selected readings are no longer there as such."""
    damage = DamageCount()
    readings, first, last = 0, None, None
    for each in damage.intact(summaries(reader, selection)):
        readings += each.readings
        first = min(first or each.minute, each.minute)
        last = max(last or each.minute, each.minute)
    if not readings:
        return damage.sentences(selection)
    past = (
        f"{readings} readings from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC are past"
        " journal.keep_readings_days and not among these; their minute summaries come with"
        " 'brinewright export summaries'"
    )
    return [past, *damage.sentences(selection)]


def _row(each: Summary) -> dict[str, JSON]:
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
