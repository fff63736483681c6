"""Retention: readings become minute summaries, all else stays.

It is done in slices, each a transaction of a few milliseconds between two turns of the
measuring loop.  Readings go oldest first, in the order of their numbers.  Freed pages of
the file are used again, so it stays at its largest size and never needs rewriting.

A wall clock that was wrong for a while must not cost anything.  So age counts only while
the clock is synchronised and has agreed with the monotonic one for an hour; it is taken
of the majority of some hundred readings; and for each reading written at most eight go.
Where no clock is ever synchronised only the size counts.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from daemon.entries import Event, Instant
from daemon.journal import rows
from daemon.journal.reading_table import REMOVALS
from daemon.journal.summaries import COLUMNS, MINUTE_MS, minute_of, summary_rows
from daemon.mixing.service_events import EntryDamaged, JournalFull

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from daemon.entries import Reading

MEGABYTE = 1_000_000
CHECK_EVERY_S = 60.0
REPORT_EVERY_S = 86_400.0
TRUST_AFTER_S = 3600.0
DRIFT_S = 60.0
FOR_EACH_WRITTEN = 8
MOST_OWED = 5_000
SLICE = 400
"""Readings in one slice."""

OLDEST = f"SELECT {rows.READING_SELECTED} FROM readings WHERE seq <= ? ORDER BY seq LIMIT ?"  # noqa: S608
SUMMARY = f"INSERT INTO summaries ({COLUMNS}) VALUES ({', '.join('?' * 25)})"  # noqa: S608
FLOOR = """
    SELECT min(
        coalesce((SELECT seq FROM memory), 0),
        coalesce((SELECT seq FROM readings ORDER BY seq DESC LIMIT 1 OFFSET ?), 0))
"""


@dataclass(frozen=True, slots=True)
class RetentionLimits:
    """How much is stored.

    Attributes:
        readings_days: Readings older than this become summaries, days.
        largest_mb: Largest size of the journal, megabytes.
        newest_kept: Readings that stay however large it is, so that curves go on being drawn.
    """

    readings_days: float = 90.0
    largest_mb: float = 2000.0
    newest_kept: int = 20_000


@dataclass(slots=True)
class Forced:
    """What had to go for the sake of the size, and was not reported yet.

    Attributes:
        readings: Readings that became summaries before their time.
        unacknowledged: Those of them that a publisher had not acknowledged.
        summaries: Summaries that were removed.
    """

    readings: int = 0
    unacknowledged: int = 0
    summaries: int = 0


@dataclass(slots=True)
class Retention:
    """What is to be done next, between two turns.

    Attributes:
        limits: How much is stored.
        acknowledged: Gives the `seq` that all publishers have acknowledged; None without any.
    """

    limits: RetentionLimits
    acknowledged: Callable[[], int | None] = lambda: None
    _clock_since: Instant | None = field(default=None, init=False)
    _last: Instant | None = field(default=None, init=False)
    _looked_s: float = field(default=float("-inf"), init=False)
    _reported_s: float = field(default=float("-inf"), init=False)
    _busy: bool = field(default=False, init=False)
    _owed: int = field(default=0, init=False)
    _floor: int = field(default=0, init=False)
    _acknowledged: int | None = field(default=None, init=False)
    _damaged: int = field(default=0, init=False)
    _forced: Forced = field(default_factory=Forced, init=False)

    @property
    def busy(self) -> bool:
        """Whether the last slice did something, so that there may be more to do."""
        return self._busy

    def due(self, now: Instant, written: int) -> bool:
        """Say whether a slice is to be done now.

        Args:
            now: The present moment; given whenever entries were written.
            written: Entries written since the last call.
        """
        self._watch_clock(now)
        self._owed = min(self._owed + FOR_EACH_WRITTEN * written, MOST_OWED)
        return self._busy or now.mono_s - self._looked_s >= CHECK_EVERY_S

    def slice(self, db: sqlite3.Connection, now: Instant) -> list[Event]:
        """Do one slice within the open transaction; return what is to be reported.

        Raises:
            sqlite3.Error: Nothing of it was done, once the transaction is undone.
        """
        if not self._busy:
            self._looked_s = now.mono_s
            # Both only ever rise, so what was found a while ago is on the safe side.
            (self._floor,) = db.execute(FLOOR, (self.limits.newest_kept,)).fetchone()
            self._acknowledged = self.acknowledged()
        done = 0
        if used_bytes(db) > self.limits.largest_mb * MEGABYTE:
            done = self._by_size(db)
        elif self._trusted(now) and self._owed > 0:
            done = self._by_age(db, now)
        self._busy = done > 0
        return self._report(now)

    def _by_age(self, db: sqlite3.Connection, now: Instant) -> int:
        upto = self._floor if self._acknowledged is None else min(self._floor, self._acknowledged)
        found = db.execute(OLDEST, (upto, SLICE)).fetchall()
        before_ms = rows.to_ms(now.wall - timedelta(days=self.limits.readings_days))
        # A minute becomes a summary when all of it is old.
        before_ms -= before_ms % MINUTE_MS
        old = [index for index, row in enumerate(found) if row[4] and row[2] < before_ms]
        if 2 * len(old) <= sum(1 for row in found if row[4]):
            return 0
        whole = found[: old[-1] + 1]
        done = self._summarise(db, _whole_minutes(whole) if len(whole) == SLICE else whole)
        self._owed -= done
        return done

    def _by_size(self, db: sqlite3.Connection) -> int:
        found = db.execute(OLDEST, (self._floor, SLICE)).fetchall()
        some = _whole_minutes(found)
        if some:
            self._forced.readings += len(some)
            if self._acknowledged is not None:
                self._forced.unacknowledged += sum(row[0] > self._acknowledged for row in some)
            return self._summarise(db, some)
        removed = db.execute(
            "DELETE FROM summaries WHERE first_seq IN"
            " (SELECT first_seq FROM summaries ORDER BY first_seq LIMIT ?)",
            (SLICE,),
        ).rowcount
        db.execute("UPDATE summarised SET summaries_removed = summaries_removed + ?", (removed,))
        self._forced.summaries += removed
        return removed

    def _summarise(self, db: sqlite3.Connection, found: list[tuple[Any, ...]]) -> int:
        self._damaged += summarise(db, found)
        return len(found)

    def _watch_clock(self, now: Instant) -> None:
        last, self._last = self._last, now
        if last is None or self._clock_since is None or last.boot != now.boot:
            self._clock_since = now
            return
        since = self._clock_since
        apart_s = (now.wall - since.wall).total_seconds() - (now.mono_s - since.mono_s)
        if not now.synced or abs(apart_s) > DRIFT_S:
            self._clock_since = now

    def _trusted(self, now: Instant) -> bool:
        since = self._clock_since
        return since is not None and now.synced and now.mono_s - since.mono_s >= TRUST_AFTER_S

    def _report(self, now: Instant) -> list[Event]:
        if now.mono_s - self._reported_s < REPORT_EVERY_S:
            return []
        forced, damaged = self._forced, self._damaged
        report: list[EntryDamaged | JournalFull] = []
        if damaged:
            why = f"{damaged} readings were changed on the disk and are in no minute summary"
            report.append(EntryDamaged(why, readings=damaged))
        if forced.readings or forced.summaries:
            report.append(_full(forced, self.limits.largest_mb))
        if report:
            self._reported_s, self._forced, self._damaged = now.mono_s, Forced(), 0
        return [Event("", now, "", each) for each in report]


def _full(forced: Forced, largest_mb: float) -> JournalFull:
    early = f", {forced.unacknowledged} of them before every publisher had them"
    why = (
        f"the journal reached its {largest_mb:g} MB: {forced.readings} readings became minute"
        f" summaries before their time{early if forced.unacknowledged else ''}, {forced.summaries}"
        " summaries were removed; raise journal.largest_mb to keep more"
    )
    return JournalFull(why, forced.readings, forced.unacknowledged, forced.summaries)


def used_bytes(db: sqlite3.Connection) -> int:
    """Return what of the file is in use; freed pages are not, for they are used again."""
    ((pages,), (free,), (size,)) = (
        db.execute(f"PRAGMA {name}").fetchone()
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size)


def summarise(db: sqlite3.Connection, found: list[tuple[Any, ...]]) -> int:
    """Put summaries in the place of the oldest readings, given as rows; return how many failed.

    Those are readings that the disk has changed; they enter no summary.
    """
    origins = {
        number: tuple(origin)
        for number, *origin in db.execute(
            f"SELECT id, {rows.ORIGIN_COLUMNS} FROM origins"  # noqa: S608 - a constant
        )
    }
    known: list[tuple[int, int, Reading]] = []
    for row in found:
        reading = rows.to_reading(row, origins.get(row[1]))
        if reading is not None:
            known.append((row[0], row[1], reading))
    damaged = len(found) - len(known)
    db.executemany(SUMMARY, summary_rows(known))
    for removal in REMOVALS:
        db.execute(removal, (found[-1][0],))
    db.execute(
        "UPDATE summarised SET to_seq = ?, readings = readings + ?, damaged = damaged + ?",
        (found[-1][0], len(known), damaged),
    )
    return damaged


def _whole_minutes(some: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Leave the last minute, which may go on in the next slice, unless there is no other."""
    end = len(some)
    while end and minute_of(some[end - 1][2]) == minute_of(some[-1][2]):
        end -= 1
    return some[:end] or some
