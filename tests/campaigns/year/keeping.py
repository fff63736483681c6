"""The journal of the year, with the retention of the service, and a count of all that went in."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from pathlib import Path

from daemon.entries import Entry, Event, Instant, Reading
from daemon.journal.checkpoint import dump
from daemon.journal.reader import Reader
from daemon.journal.retention import Retention, RetentionLimits
from daemon.journal.shapes import to_object
from daemon.journal.writer import Writer
from daemon.mixing.station.station import Station

FLUSH_S = 3600.0
"""A service forces readings to the card each few seconds, which costs a year too much."""
AT_ONCE = 120
CHECKPOINT_S = 3600.0
LONGEST_FILLED_S = 60.0
"""What is farther apart has an outage between."""
READ_AT_ONCE = 5_000


@dataclass(slots=True)
class DayCount:
    """What went into the journal on one day, counted apart from it.

    Attributes:
        readings: How many.
        with_salinity: How many of them had a salinity.
        salinity: Sum of those.
    """

    readings: int = 0
    with_salinity: int = 0
    salinity: float = 0.0

    def add(self, salinity: float | None, count: int = 1) -> None:
        """Count readings of one salinity."""
        self.readings += count
        if salinity is not None:
            self.with_salinity += count
            self.salinity += count * salinity


Days = defaultdict[date, DayCount]


def no_days() -> Days:
    """Return an empty count."""
    return defaultdict(DayCount)


@dataclass(slots=True)
class Keeping:
    """Writes entries in order; between two readings of the station it writes those it did not see.

    Attributes:
        path: Of the journal.
        period_s: Between two readings of the journal.
        kept_days: Readings older than this become minute summaries.
        newest_kept: Readings that stay in any case.
        days: What went in, by day.
        events: How many events went in.
    """

    path: Path
    period_s: float
    kept_days: float
    newest_kept: int = RetentionLimits().newest_kept
    days: Days = field(default_factory=no_days)
    events: int = 0
    _waiting: list[Entry] = field(default_factory=list)
    _last: Reading | None = None
    _checkpoint_s: float = 0.0
    _writer: Writer = field(init=False)
    _retention: Retention = field(init=False)

    def __post_init__(self) -> None:
        """Open the journal, old or new."""
        self.open()

    def open(self) -> None:
        """Open the journal, as a process does that starts."""
        self._writer = Writer(self.path, FLUSH_S)
        self._retention = Retention(RetentionLimits(self.kept_days, newest_kept=self.newest_kept))
        self._last = None

    def take(self, entries: list[Entry], station: Station, at: Instant) -> None:
        """Take what followed from one input."""
        for entry in entries:
            if isinstance(entry, Reading):
                self._fill(entry)
                self._last = entry
            self._add(entry)
        if len(self._waiting) >= AT_ONCE:
            self.flush(station, at)

    def flush(self, station: Station, at: Instant) -> None:
        """Write what waits, each hour with a checkpoint, and do what retention asks for."""
        snapshots, checkpoint = {}, None
        if at.mono_s - self._checkpoint_s >= CHECKPOINT_S:
            self._checkpoint_s, checkpoint = at.mono_s, dump(station.state)
            snapshots = {"mix-1": to_object(station.snapshot("mix-1", at))}
        self._writer.append(self._waiting, at.mono_s, snapshots, checkpoint)
        written = len(self._waiting)
        self._waiting = []
        while self._retention.due(at, written):
            for event in self._writer.within(partial(self._retention.slice, now=at)):
                self._add(event)
            written = 0

    def close(self, station: Station, at: Instant) -> None:
        """Write what waits and let go of the journal."""
        self.flush(station, at)
        self._writer.close()

    def _add(self, entry: Entry) -> None:
        self._waiting.append(entry)
        if isinstance(entry, Event):
            self.events += 1
        else:
            self.days[entry.at.wall.date()].add(entry.salinity)

    def _fill(self, until: Reading) -> None:
        """Write the readings that lie between the last one of the station and this one."""
        last = self._last
        if last is None or until.at.mono_s - last.at.mono_s > LONGEST_FILLED_S:
            return
        missing = round((until.at.mono_s - last.at.mono_s) / self.period_s) - 1
        for number in range(1, missing + 1):
            self._add(_between(last, number, number * self.period_s))


def _between(last: Reading, number: int, after_s: float) -> Reading:
    """Return a reading some time after another one, of the same water with a little noise."""
    shift = (number * 7 % 5 - 2) / 1e4
    at = Instant(last.at.wall + timedelta(seconds=after_s), last.at.mono_s + after_s, last.at.boot)
    conductivity, salinity = last.conductivity_mS_cm, last.salinity
    return Reading(
        last.reservoir,
        last.probe,
        at,
        None if conductivity is None else round(conductivity + shift, 4),
        last.temperature_C,
        None if salinity is None else salinity + shift,
        last.salinity_u,
        last.flag,
        last.tests,
        last.pump,
        last.fault,
        last.spoken,
        last.calibration,
        figures=last.figures,
    )


def found(path: Path) -> tuple[Days, int]:
    """Return what a journal holds by day, in readings and minute summaries, and its events."""
    days, reader = no_days(), Reader(path)
    after = 0
    while readings := reader.probe_readings("mix-1", "ct-1", after, READ_AT_ONCE):
        after = readings[-1][0]
        for _, reading in readings:
            days[reading.at.wall.date()].add(reading.salinity)
    after = 0
    while some := reader.summaries(after):
        after = some[-1][0]
        for _, each in some:
            if each is None:
                continue
            day = days[each.minute.date()]
            day.readings += each.readings
            day.with_salinity += each.salinity.count
            day.salinity += (each.salinity.mean or 0.0) * each.salinity.count
    with reader.transaction() as db:
        (events,) = db.execute("SELECT count(*) FROM events").fetchone()
    return days, int(events)


def differences(expected: Days, days: Days) -> list[str]:
    """Return in which days a journal differs from what went in, a sentence each."""
    wrong = []
    for day in sorted({*expected, *days}):
        was, now = expected[day], days[day]
        if (was.readings, was.with_salinity) != (now.readings, now.with_salinity):
            wrong.append(f"{day}: {now.readings} readings of {was.readings} are accounted for")
        elif abs(was.salinity - now.salinity) > 1e-6 * max(1.0, was.salinity):
            wrong.append(
                f"{day}: salinities add up to {now.salinity:.6f} and not {was.salinity:.6f}"
            )
    return wrong
