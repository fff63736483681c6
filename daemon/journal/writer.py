"""The journal's only writer.

A commit is never lost to a killed process (WAL, synchronous NORMAL).  Events
are forced to the card before any reader has them (FULL); for readings the log
is forced every `flush_interval_s`, so a power cut costs at most that much of
them and the card is spared.

What a power cut took may have been published before.  So that no number is
used twice, the first entry of another run of the machine skips more numbers
than can have been lost.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import ExitStack, closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

from daemon.entries import Event, Reading
from daemon.journal import blocks, rows
from daemon.journal.errors import JournalBrokenError, JournalError, broken
from daemon.journal.lock import take_lock
from daemon.journal.log_file import opened_log
from daemon.journal.reading_table import ReadingTable, insertion
from daemon.journal.rows import ORIGIN_COLUMNS, Origin, to_json
from daemon.journal.schema import migrate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from daemon.entries import JSON, Entry
    from daemon.journal.reading_table import Step

T = TypeVar("T")

SKIPPED_PER_BOOT = 100_000
"""More entries than any station writes within the longest `flush_interval_s`, an hour."""

EVENT = insertion("events", rows.EVENT_COLUMNS)
ORIGIN = insertion("origins", f"id, {ORIGIN_COLUMNS}")
CHECKPOINT = "INSERT OR REPLACE INTO memory (id, seq, state, proof) VALUES (1, ?, ?, ?)"

# Changes the row in its place: replacing it would rewrite the index as well, each second.
SNAPSHOT = """
    INSERT INTO pictures (reservoir, seq, picture) VALUES (?, ?, ?)
    ON CONFLICT (reservoir) DO UPDATE SET seq = excluded.seq, picture = excluded.picture
"""

LAST_BOOT = """
    SELECT boot FROM (
        SELECT * FROM (SELECT seq, origin FROM readings ORDER BY seq DESC LIMIT 1)
        UNION ALL
        SELECT * FROM (SELECT seq, origin FROM events ORDER BY seq DESC LIMIT 1)
    ) JOIN origins ON origins.id = origin ORDER BY seq DESC LIMIT 1
"""


class Writer:
    """Appends entries; one writer per file, ensured by a lock beside it."""

    def __init__(self, path: Path, flush_interval_s: float = 5.0, lock: int | None = None) -> None:
        """Open or create the journal at `path`.

        Args:
            path: The file.
            flush_interval_s: How often readings are forced to the card, s.
            lock: A lock that was taken already, which is now the writer's; -1 for none.

        Raises:
            JournalBrokenError: It is spoilt.
            JournalError: The folder is not there or not writable, another
                writer holds it, or the file is no journal.
        """
        self._path = path
        self._flush_interval_s = flush_interval_s
        self._last_flush_s: float | None = None
        self._synchronous = ""
        self._lock = take_lock(path) if lock is None else lock
        self._closed = False
        self._origins: dict[Origin, int] = {}
        self._readings = ReadingTable()
        self._in_no_block = blocks.ENTRIES
        try:
            self._db = _open(path)
        except JournalError:
            if lock is None:
                os.close(self._lock)
            raise
        try:
            self._seq = _last_seq(self._db)
            self._boot = _last_boot(self._db)
            self._recall_origins()
            self._log = opened_log(path)
        except (sqlite3.Error, OSError) as exc:
            self._db.close()
            if lock is None:
                os.close(self._lock)
            raise self._failed(exc) from exc

    def __enter__(self) -> Self:
        """Use as a context that closes."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close on leaving."""
        self.close()

    @property
    def last_seq(self) -> int:
        """The newest `seq` in the journal; 0 when it is empty."""
        return self._seq

    def append(
        self,
        entries: Sequence[Entry],
        now_s: float,
        snapshots: Mapping[str, JSON] | None = None,
        checkpoint: str | None = None,
    ) -> None:
        """Write entries, snapshots and the checkpoint as one transaction.

        Args:
            entries: In the order in which they happened.
            now_s: Monotonic time, s, for the flush interval.
            snapshots: The present state by reservoir, replacing the older one.
            checkpoint: The station's state, to go on from after a restart.

        Raises:
            JournalError: Nothing was written, e.g. the disk is full; the same
                entries may be given again.
        """
        # SQLite forces a commit before readers have it; what waits for it must see it no earlier.
        at_once = self._last_flush_s is None
        seq, boot = self._seq, self._boot
        try:
            steps: list[Step] = []
            for entry in entries:
                same_boot = boot in (None, entry.at.boot)
                seq += 1 if same_boot else SKIPPED_PER_BOOT
                boot = entry.at.boot
                at_once = at_once or isinstance(entry, Event)
                steps += self._entry_steps(seq, entry)
            if snapshots or checkpoint is not None:
                steps += _kept(seq, snapshots or {}, checkpoint)
            self._set_synchronous("FULL" if at_once else "NORMAL")
            self._run(steps)
        except sqlite3.Error as exc:
            self._undo()
            raise self._failed(exc) from exc
        except BaseException:
            # E.g. facts that JSON cannot say: the transaction must not stay open behind it.
            self._undo()
            raise
        self._seq, self._boot = seq, boot
        if at_once:
            self._last_flush_s = now_s
        elif now_s - (self._last_flush_s or 0.0) >= self._flush_interval_s:
            self._flush(now_s)
        self._make_blocks(len(entries))

    def within(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Do some work on the tables as one transaction, which is not forced to the card.

        Raises:
            JournalError: Nothing of it was done.
        """
        try:
            self._set_synchronous("NORMAL")
            self._db.execute("BEGIN IMMEDIATE")
            done = work(self._db)
            self._db.execute("COMMIT")
        except sqlite3.Error as exc:
            self._undo()
            raise self._failed(exc) from exc
        return done

    def close(self) -> None:
        """Fold the log into the file and let go of it; may be called twice."""
        if self._closed:
            return
        self._closed = True
        self._db.close()
        if self._log is not None:
            self._log.close()
        if self._lock >= 0:
            os.close(self._lock)

    @property
    def identity(self) -> str:
        """The name that this journal was given when it was made."""
        (name,) = self._db.execute("SELECT name FROM identity").fetchone()
        return str(name)

    def skip_to(self, seq: int) -> None:
        """Give no number up to `seq` to what comes, for it may have been given."""
        self._seq = max(self._seq, seq)

    def carry(self, entries: Mapping[int, Entry], checkpoint: tuple[int, str] | None) -> None:
        """Write entries of another journal under the numbers that they had, and its checkpoint.

        Raises:
            JournalError: Nothing was written.
        """

        def work(db: sqlite3.Connection) -> None:
            steps = [
                step for seq, entry in entries.items() for step in self._entry_steps(seq, entry)
            ]
            if checkpoint is not None:
                steps += _kept(checkpoint[0], {}, checkpoint[1])
            for statement, values in steps:
                db.execute(statement, values)

        self.within(work)
        self._seq = max(self._seq, *entries, 0 if checkpoint is None else checkpoint[0])

    def _failed(self, exc: sqlite3.Error | OSError) -> JournalError:
        is_broken = isinstance(exc, sqlite3.Error) and broken(exc)
        kind = JournalBrokenError if is_broken else JournalError
        return kind(f"journal {self._path}: cannot be written: {exc}; {_remedy(exc)}")

    def _set_synchronous(self, mode: str) -> None:
        if mode != self._synchronous:
            self._db.execute(f"PRAGMA synchronous = {mode}")
            self._synchronous = mode

    def _run(self, steps: Sequence[Step]) -> None:
        """Run statements as one transaction, which a single one is without more words."""
        if len(steps) == 1:
            self._db.execute(*steps[0])
            return
        self._db.execute("BEGIN IMMEDIATE")
        for statement, values in steps:
            self._db.execute(statement, values)
        self._db.execute("COMMIT")

    def _flush(self, now_s: float) -> None:
        """Force the log; where that fails, SQLite forces the next commit or says why it cannot."""
        self._last_flush_s = None
        if self._log is not None:
            with suppress(OSError):
                self._log.force()
                self._last_flush_s = now_s

    def _entry_steps(self, seq: int, entry: Entry) -> list[Step]:
        if isinstance(entry, Reading):
            origin = (entry.reservoir, entry.probe, entry.at.boot, entry.calibration)
            number, added = self._origin(origin)
            return [*added, *self._readings.steps(seq, number, origin, entry)]
        origin = (entry.reservoir, "", entry.at.boot, "")
        number, added = self._origin(origin)
        return [*added, (EVENT, rows.event_row(seq, number, origin, entry))]

    def _make_blocks(self, written: int) -> None:
        """Keep up with what was written, and catch up by as much with what was there before."""
        self._in_no_block += written
        for _ in range(1 + 2 * written // blocks.ENTRIES):
            if self._in_no_block < blocks.ENTRIES:
                return
            try:
                self._in_no_block = self.within(blocks.make)
            except JournalError:
                # Without them an export takes longer; nothing else needs them.
                self._in_no_block = 0

    def _origin(self, key: Origin) -> tuple[int, list[Step]]:
        """Return the number of an origin, and what writes it where it is new."""
        if key in self._origins:
            return self._origins[key], []
        number = self._origins[key] = max(self._origins.values(), default=0) + 1
        return number, [(ORIGIN, (number, *key))]

    def _undo(self) -> None:
        with suppress(sqlite3.Error):
            self._db.execute("ROLLBACK")
        # What was rolled back must be written again with the next entry.
        self._readings.forget()
        with suppress(sqlite3.Error):
            self._recall_origins()

    def _recall_origins(self) -> None:
        self._origins.clear()
        for number, *origin in self._db.execute(
            f"SELECT id, {ORIGIN_COLUMNS} FROM origins"  # noqa: S608 - a constant
        ):
            self._origins[origin[0], origin[1], origin[2], origin[3]] = number


def _open(path: Path) -> sqlite3.Connection:
    with ExitStack() as undo:
        try:
            db = undo.enter_context(closing(sqlite3.connect(path, isolation_level=None)))
            db.execute("PRAGMA journal_mode = WAL")
            migrate(db)
            # A log that is spoilt later must not take the name of the journal with it.
            db.execute("PRAGMA wal_checkpoint")
        except ValueError as exc:
            raise JournalError(f"journal {path}: cannot be opened: {exc}") from exc
        except sqlite3.Error as exc:
            msg = (
                f"journal {path}: cannot be opened: {exc}; move the file aside to start a new one,"
                " or restore it from a copy"
            )
            raise (JournalBrokenError if broken(exc) else JournalError)(msg) from exc
        undo.pop_all()
    return db


def _kept(seq: int, snapshots: Mapping[str, JSON], checkpoint: str | None) -> list[Step]:
    """Return what writes the snapshots, and the checkpoint of the entry with a number."""
    steps: list[Step] = [(SNAPSHOT, (name, seq, to_json(each))) for name, each in snapshots.items()]
    if checkpoint is not None:
        proof = rows.text_proof(str(seq), checkpoint)
        steps.append((CHECKPOINT, (seq, checkpoint, proof)))
    return steps


def _last_seq(db: sqlite3.Connection) -> int:
    (seq,) = db.execute(
        f"SELECT max(coalesce(({rows.LAST_READING}), 0),"  # noqa: S608 - a constant
        " coalesce((SELECT max(seq) FROM events), 0),"
        " coalesce((SELECT max(seq) FROM memory), 0))"
    ).fetchone()
    return int(seq)


def _last_boot(db: sqlite3.Connection) -> str | None:
    found = db.execute(LAST_BOOT).fetchone()
    return str(found[0]) if found else None


def _remedy(exc: sqlite3.Error | OSError) -> str:
    if getattr(exc, "sqlite_errorname", "") == "SQLITE_FULL":
        return "free some space on that disk; entries are buffered until then"
    return "check that the disk is mounted writable; entries are buffered until then"
