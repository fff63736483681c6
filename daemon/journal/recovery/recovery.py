"""Opening the journal to write, also when the disk has spoilt it.

A spoilt journal is put aside under a name with the time, with its log, and never touched
again.  A new one takes its place with all that still proves true: every event, so batches
and calibrations, the station's state, and the newest readings, each under its own number.
What is new gets numbers that no lost entry can have had.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from daemon.entries import Event, Kind
from daemon.journal import rows
from daemon.journal.acknowledged import furthest
from daemon.journal.checkpoint import restore, restore_batches
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalBrokenError
from daemon.journal.foreign import refuse_foreign
from daemon.journal.lock import take_lock
from daemon.journal.recovery.aside import free_name
from daemon.journal.recovery.integrity_check import check_integrity, sound_event
from daemon.journal.replacement import finish, note_path
from daemon.journal.writer import SKIPPED_PER_BOOT, Writer
from daemon.mixing.service_events import JournalCutOff, JournalReplaced

if TYPE_CHECKING:
    from logging import Logger
    from pathlib import Path

    from daemon.entries import Entry, Instant, Reading

READINGS_CARRIED = 20_000
AT_ONCE = 500
ASIDE = "put aside"


@dataclass(slots=True)
class Carried:
    """What of a spoilt journal proves true.

    Attributes:
        entries: By number, in order.
        checkpoint: The station's state and the number that it belongs to.
        highest: The highest number in it.
    """

    entries: dict[int, Entry] = field(default_factory=dict)
    checkpoint: tuple[int, str] | None = None
    highest: int = 0

    def count(self, *kinds: Kind) -> int:
        """Return how many events of some kinds there are, or how many events."""
        events = [each for each in self.entries.values() if isinstance(each, Event)]
        return sum(1 for each in events if not kinds or each.kind in kinds)


def open_writer(
    path: Path, flush_interval_s: float, now: Instant, log: Logger, why: str = ""
) -> tuple[Writer, list[Event]]:
    """Return the journal's writer, and what is still to be written of its opening.

    Args:
        path: Of the journal.
        flush_interval_s: As the writer takes it.
        now: The present moment, for the name of what is put aside.
        log: For what a keeper should read.
        why: What is known to be wrong with it already.

    Raises:
        ForeignFileError: The path names something else.
        JournalError: It cannot be opened or made; the text says what to do.
    """
    if not why and not note_path(path).exists():
        refuse_foreign(path)
    lock = take_lock(path)
    try:
        if finish(path) is not None:
            log.warning("journal %s: a restore that was interrupted is finished", path)
        _take_over(path)
        if not why:
            found = check_integrity(path)
            why = found.why
            if not found.whole:
                log.info("journal %s: it is large, and only a part was looked through", path)
        if not why:
            try:
                writer = Writer(path, flush_interval_s, lock)
                return _whole(writer, path, now, log)
            except JournalBrokenError as exc:
                why = str(exc)
        log.error("%s", _replace(path, why, now))
        return Writer(path, flush_interval_s, lock), []
    except BaseException:
        with suppress(OSError):
            os.close(lock)
        raise


def _whole(writer: Writer, path: Path, now: Instant, log: Logger) -> tuple[Writer, list[Event]]:
    """Notice when the journal ends before what publishers have had.

    SQLite itself reads the write-ahead log up to the last commit whose checksum is right and
    drops what follows; commits that no publisher had are lost so without a word, as by a power
    cut.
    """
    had = furthest(cursors_path(path), writer.identity)
    if had <= writer.last_seq:
        return writer, []
    why = (
        f"the journal ends at entry {writer.last_seq}, and some that came last are lost: publishers"
        f" have had entry {had}; its log was cut off, or it is an older copy"
    )
    log.error("%s", why)
    writer.skip_to(had + SKIPPED_PER_BOOT)
    return writer, [Event("", now, "", JournalCutOff(why))]


def _replace(path: Path, why: str, now: Instant) -> str:
    """Put a journal aside and a new one with what is whole in its place; return that, in words."""
    fresh = _fresh(path)
    for file in _files(fresh):
        file.unlink(missing_ok=True)
    kept = carried(path)
    aside = free_name(path, now)
    replaced = _replaced(path, aside, why, kept)
    carry_over(kept, fresh, Event("", now, "", replaced), furthest(cursors_path(path), None))
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)
    log_ = path.with_name(f"{path.name}-wal")
    if log_.exists():
        log_.rename(aside.with_name(f"{aside.name}-wal"))
    path.rename(aside)
    fresh.rename(path)
    return replaced.why


def carry_over(kept: Carried, fresh: Path, summary: Event, had: int) -> None:
    """Write a new journal of what was carried, and of an event about that.

    Args:
        kept: What was carried.
        fresh: Where the new journal is to be; nothing may be there.
        summary: The event.
        had: The highest number that is known to have been given.

    Raises:
        JournalError: It could not be written.
    """
    with closing(Writer(fresh, lock=-1)) as writer:
        writer.carry(kept.entries, kept.checkpoint)
        writer.skip_to(max(kept.highest, had) + SKIPPED_PER_BOOT)
        writer.append([summary], summary.at.mono_s)


def _take_over(path: Path) -> None:
    """Finish what a process that was killed while it put a journal aside had begun."""
    fresh = _fresh(path)
    if fresh.exists() and not path.exists():
        fresh.rename(path)


def _fresh(path: Path) -> Path:
    return path.with_name(f"{path.name}.new")


def _files(path: Path) -> list[Path]:
    return [path, *(path.with_name(f"{path.name}{end}") for end in ("-wal", "-shm"))]


def _replaced(path: Path, aside: Path, why: str, kept: Carried) -> JournalReplaced:
    events, calibrations = kept.count(), kept.count(Kind.CALIBRATION)
    readings = len(kept.entries) - events
    state = "the station's state" if kept.checkpoint else "not the station's state"
    return JournalReplaced(
        f"the journal {path} was spoilt on the disk ({why}); it was put aside as {aside.name},"
        f" and a new one goes on with {events} events ({calibrations} of calibration),"
        f" {readings} of the newest readings and {state}; what else was in it is only there",
        aside.name,
        events,
        calibrations,
        readings,
        memory=kept.checkpoint is not None,
    )


def carried(path: Path) -> Carried:
    """Return what can be read of a spoilt journal and proves true; perhaps nothing."""
    found = Carried()
    with (
        suppress(sqlite3.Error, OSError, UnicodeDecodeError),
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db,
    ):
        db.text_factory = lambda letters: letters.decode(errors="replace")
        origins = {
            number: tuple(origin)
            for number, *origin in _some(db, f"SELECT id, {rows.ORIGIN_COLUMNS} FROM origins")  # noqa: S608
        }
        _carry_readings(db, origins, found)
        _carry_events(db, origins, found)
        _carry_checkpoint(db, found)
    found.entries = dict(sorted(found.entries.items()))
    return found


def _carry_events(db: sqlite3.Connection, origins: dict[Any, Any], found: Carried) -> None:
    columns = _columns(db, "events", rows.EVENT_SELECTED, rows.EVENT_COLUMNS)
    # From both ends, so that one spoilt page hides no more than itself.
    for order in ("ASC", "DESC"):
        for row in _some(db, f"SELECT {columns} FROM events ORDER BY seq {order}"):  # noqa: S608
            event = rows.to_event(row, origins.get(row[1]))
            if event is not None and sound_event(event):
                found.entries[row[0]] = event
                found.highest = max(found.highest, row[0])


def _carry_readings(db: sqlite3.Connection, origins: dict[Any, Any], found: Carried) -> None:
    columns = _columns(db, "readings", rows.READING_SELECTED, rows.READING_COLUMNS)
    if rows.AGE_COLUMNS[-1] not in {row[1] for row in _some(db, "PRAGMA table_info(readings)")}:
        columns = rows.without_ages(columns)
    readings: dict[int, Reading] = {}
    # From each table, so that a spoilt page in one hides nothing of the other.
    for table in rows.reading_tables(db):
        newest = f"SELECT {columns} FROM {table} ORDER BY seq DESC LIMIT {READINGS_CARRIED}"  # noqa: S608
        for row in _some(db, newest):
            reading = rows.to_reading(row, origins.get(row[1]))
            if reading is not None:
                readings[row[0]] = reading
    for seq in sorted(readings)[-READINGS_CARRIED:]:
        found.entries[seq] = readings[seq]
        found.highest = max(found.highest, seq)


def _carry_checkpoint(db: sqlite3.Connection, found: Carried) -> None:
    columns = _columns(db, "memory", rows.CHECKPOINT_SELECTED, "seq, state, proof")
    for seq, state, proof in _some(db, f"SELECT {columns} FROM memory"):  # noqa: S608
        whole = isinstance(seq, int) and isinstance(state, str)
        if not whole or not rows.sound_checkpoint(seq, state, proof):
            continue
        if restore(state) is not None or restore_batches(state) is not None:
            found.checkpoint = (seq, state)
            found.highest = max(found.highest, seq)


def _columns(db: sqlite3.Connection, table: str, rows_read: str, names: str) -> str:
    """Return what to ask for; rows of older versions have no check."""
    if next(_some(db, "SELECT 1 FROM sqlite_schema WHERE name = 'unproven'"), None):
        return rows_read
    there = {row[1] for row in _some(db, f"PRAGMA table_info({table})")}
    none = f"coalesce(proof, {rows.LOST})" if "proof" in there else str(rows.UNPROVEN)
    return names.replace("proof", none)


def _some(db: sqlite3.Connection, question: str) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of an answer as far as they can be read."""
    with suppress(sqlite3.Error, UnicodeDecodeError):
        yield from db.execute(question)
