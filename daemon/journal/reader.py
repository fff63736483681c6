"""Read-only views of the journal: each opens, reads a batch whole, and closes.

A reader with a long transaction would pin the write-ahead log, so none has one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daemon.entries import Kind
from daemon.journal import rows
from daemon.journal.access import barred, half_made, needs_log, read_only
from daemon.journal.errors import (
    ForeignFileError,
    JournalBrokenError,
    JournalError,
    JournalForbiddenError,
    JournalMissingError,
    NoFileError,
    broken,
)
from daemon.journal.event_codec import facts_of
from daemon.journal.foreign import foreign, foreign_sentence, refuse_foreign
from daemon.journal.schema import MIGRATIONS, READABLE_FROM, misfit
from daemon.journal.snapshot_codec import renewed, reservoir_snapshot, station_snapshot
from daemon.journal.summaries import COLUMNS, Summary, to_summary
from daemon.mixing.alarm.former_names import PRESENT_NAMES

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.entries import Entry, Event, Instant, Reading
    from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot


ANSWERS_AMONG = 5000
"""Newest events among which the answer to a command is looked for."""
NEWEST = 2000
"""How far back a reading may be and still update a snapshot."""

LOG_LEFT = (
    "a process that was killed left its newest entries in a log beside it, which takes the right to"
    " write there to read; start 'brinewright run' once, or read it as the user that measures"
)
MEND = "start 'brinewright run' again, which puts it aside and keeps what is whole"


@dataclass(frozen=True, slots=True)
class Stored:
    """An entry with the number under which the journal holds it."""

    seq: int
    entry: Entry


class Reader:
    """Queries on a journal, which may be written meanwhile."""

    def __init__(self, path: Path) -> None:
        """Name the journal; nothing is opened yet."""
        self._path = path

    def after(self, seq: int, limit: int = 500) -> list[Stored]:
        """Return up to `limit` entries that follow `seq`, in order.

        Raises:
            JournalError: There is no journal, or it cannot be read.
        """
        with self.transaction() as db:
            origins = origins_of(db)
            readings = db.execute(
                f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608 - a constant
                " WHERE seq > ? ORDER BY seq LIMIT ?",
                (seq, limit),
            ).fetchall()
            events = db.execute(
                f"SELECT {rows.EVENT_SELECTED} FROM events WHERE seq > ? ORDER BY seq LIMIT ?",  # noqa: S608
                (seq, limit),
            ).fetchall()
        stored = [
            Stored(row[0], rows.to_reading(row, origins.get(row[1])) or rows.damaged(row[0]))
            for row in readings
        ]
        stored += [Stored(*event_of(row, origins)) for row in events]
        stored.sort(key=lambda item: item.seq)
        return stored[:limit]

    def readings(self, since_seq: int = 0) -> list[tuple[int, Reading]]:
        """Every reading after `since_seq` that the disk has not changed, in order."""
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {rows.readings_selected(db)} FROM readings WHERE seq > ? ORDER BY seq",  # noqa: S608
                (since_seq,),
            ).fetchall()
        known = ((row[0], rows.to_reading(row, origins.get(row[1]))) for row in found)
        return [(seq, reading) for seq, reading in known if reading is not None]

    def probe_readings(
        self, reservoir: str, probe: str, since_seq: int, limit: int
    ) -> list[tuple[int, Reading]]:
        """Up to `limit` readings of one probe after `since_seq`, in order."""
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608
                " WHERE seq > ? AND origin IN"
                " (SELECT id FROM origins WHERE reservoir = ? AND probe = ?)"
                " ORDER BY seq LIMIT ?",
                (since_seq, reservoir, probe, limit),
            ).fetchall()
        known = ((row[0], rows.to_reading(row, origins.get(row[1]))) for row in found)
        return [(seq, reading) for seq, reading in known if reading is not None]

    def events(self, batch: str | None = None) -> list[tuple[int, Event]]:
        """Every event in order, or those of one batch."""
        where, values = ("", ()) if batch is None else (" WHERE batch = ?", (batch,))
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {rows.EVENT_SELECTED} FROM events{where} ORDER BY seq",  # noqa: S608
                values,
            ).fetchall()
        return [event_of(row, origins) for row in found]

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Every event about an alarm after `since_seq`, in order."""
        return self._of_kind(Kind.ALARM, since_seq)

    def of_kinds(self, kinds: Iterable[Kind]) -> list[tuple[int, Event]]:
        """Every event of these kinds, in order."""
        found = [each for kind in kinds for each in self._of_kind(kind, 0)]
        return sorted(found, key=lambda each: each[0])

    def former_alarms(self) -> list[tuple[str, str]]:
        """Reservoir and former name of each alarm that events were written under, once each."""
        names = ", ".join("?" * len(PRESENT_NAMES))
        with self.transaction() as db:
            found = db.execute(
                "SELECT DISTINCT reservoir, iif(json_valid(facts),"  # noqa: S608 - constants
                " json_extract(facts, '$.name'), NULL) AS name"
                " FROM events JOIN origins ON origins.id = origin"
                f" WHERE kind = ? AND name IN ({names})",
                (str(Kind.ALARM), *PRESENT_NAMES),
            ).fetchall()
        return [(reservoir, name) for reservoir, name in found]

    def calibrations(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Every event about a calibration after `since_seq`, in order; some hold the records."""
        return self._of_kind(Kind.CALIBRATION, since_seq)

    def answer_to(self, id: str) -> Event | None:  # noqa: A002 - the name that the record uses
        """The answer to a command by its id; None where there is none among the newest events.

        Raises:
            JournalError: There is no journal, or it cannot be read.
        """
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {rows.EVENT_SELECTED} FROM events"  # noqa: S608
                " WHERE seq >= coalesce("
                "(SELECT seq FROM events ORDER BY seq DESC LIMIT 1 OFFSET ?), 0)"
                " AND kind = ? AND instr(facts, ?) > 0 ORDER BY seq",
                (ANSWERS_AMONG - 1, str(Kind.COMMAND), f'"id":{rows.to_json(id)}'),
            ).fetchall()
        events = (event_of(row, origins)[1] for row in found)
        return next((each for each in events if facts_of(each.body).get("id") == id), None)

    def _of_kind(self, kind: Kind, since_seq: int) -> list[tuple[int, Event]]:
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {rows.EVENT_SELECTED} FROM events"  # noqa: S608
                " WHERE seq > ? AND kind = ? ORDER BY seq",
                (since_seq, str(kind)),
            ).fetchall()
        return [event_of(row, origins) for row in found]

    def summaries(self, after: int = 0, limit: int = 2000) -> list[tuple[int, Summary | None]]:
        """Up to `limit` minute summaries of old readings whose first `seq` follows, in order.

        None stands for one that the disk has changed.
        """
        with self.transaction() as db:
            origins = origins_of(db)
            found = db.execute(
                f"SELECT {COLUMNS} FROM summaries WHERE first_seq > ? ORDER BY first_seq LIMIT ?",  # noqa: S608
                (after, limit),
            ).fetchall()
        return [(row[0], to_summary(row, origins.get(row[2]))) for row in found]

    def summarised_to(self) -> int:
        """The `seq` up to which readings have become summaries; 0 when none has."""
        with self.transaction() as db:
            (seq,) = db.execute("SELECT to_seq FROM summarised").fetchone()
        return int(seq)

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """The present state of each reservoir, by name, renewed by its latest reading."""
        with self.transaction() as db:
            kept = db.execute(
                "SELECT reservoir, seq, picture FROM pictures WHERE reservoir != ''"
            ).fetchall()
            found: dict[str, ReservoirSnapshot] = {}
            for reservoir, seq, text in kept:
                known = reservoir_snapshot(text)
                if known is None:
                    continue
                reading = _latest(db, reservoir, known.probe, seq)
                found[reservoir] = known if reading is None else renewed(known, reading)
        return found

    def station_snapshot(self) -> StationSnapshot | None:
        """The present state of the station itself; None before any."""
        with self.transaction() as db:
            row = db.execute("SELECT picture FROM pictures WHERE reservoir = ''").fetchone()
        return None if row is None else station_snapshot(row[0])

    def ended_unasked(self) -> bool:
        """Whether measuring began last and has not said that it ended.

        A restored journal ends in the middle of things, and nothing broke off there.
        """
        with self.transaction() as db:
            row = db.execute(
                "SELECT json_extract(facts, '$.state') AS state FROM events WHERE kind = ?"
                " AND origin IN (SELECT id FROM origins WHERE reservoir = '')"
                " AND state IN ('measuring began', 'measuring ended', 'journal restored')"
                " ORDER BY seq DESC LIMIT 1",
                (str(Kind.DEVICE),),
            ).fetchone()
        return row is not None and row[0] == "measuring began"

    def checkpoint(self) -> tuple[int, str] | None:
        """The last checkpoint of the station's state, and the `seq` that it belongs to.

        Raises:
            JournalBrokenError: The disk has changed it.
        """
        with self.transaction() as db:
            row = db.execute(f"SELECT {rows.CHECKPOINT_SELECTED} FROM memory").fetchone()  # noqa: S608
        if row is None:
            return None
        seq, state, proof = row
        if not rows.sound_checkpoint(seq, state, proof):
            msg = f"journal {self._path}: the station's state was changed on the disk; {MEND}"
            raise JournalBrokenError(msg)
        return seq, state

    def backlog(self, seq: int, most: int) -> tuple[int, Instant | None]:
        """Return how many entries follow `seq`, and when the first of them was.

        Args:
            seq: The last number that does not count.
            most: Count no further, so that a long backlog costs no more than a short one.

        Raises:
            JournalError: There is no journal, or it cannot be read.
        """
        count, first = 0, None
        with self.transaction() as db:
            for kind in ("readings", "events"):
                (found,) = db.execute(
                    f"SELECT count(*) FROM (SELECT 1 FROM {kind} WHERE seq > ? LIMIT ?)",  # noqa: S608
                    (seq, most),
                ).fetchone()
                count += found
                row = db.execute(
                    f"SELECT seq, time_ms, mono_ms, boot, synced FROM {kind}"  # noqa: S608
                    " JOIN origins ON origins.id = origin WHERE seq > ? ORDER BY seq LIMIT 1",
                    (seq,),
                ).fetchone()
                first = min(filter(None, (first, row)), default=None)
        return min(count, most), None if first is None else rows.to_instant(*first[1:])

    def identity(self) -> str:
        """The name that this journal was given when it was made, unlike any other's."""
        with self.transaction() as db:
            (name,) = db.execute("SELECT name FROM identity").fetchone()
        return str(name)

    def last_seq(self) -> int:
        """The newest `seq`; 0 in an empty journal."""
        with self.transaction() as db:
            (seq,) = db.execute(
                f"SELECT max(coalesce(({rows.LAST_READING}), 0),"  # noqa: S608 - a constant
                " coalesce((SELECT max(seq) FROM events), 0))"
            ).fetchone()
        return int(seq)

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Give a connection to the journal as it is now; let go of it soon.

        Raises:
            JournalError: There is no journal, or it cannot be read.
        """
        try:
            with read_only(self._path) as db:
                # One snapshot: an entry that comes between two questions must not make the
                # second answer run ahead of the first, or a cursor would step over it.
                db.execute("BEGIN")
                # Letters that a disk has spoilt must not hide the entries beside them.
                db.text_factory = _decoded
                self._check_version(db)
                yield db
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            raise self._failed(exc) from exc

    def _failed(self, exc: sqlite3.Error | UnicodeDecodeError) -> JournalError:
        if isinstance(exc, NoFileError) or half_made(self._path, exc):
            return JournalMissingError(self._path)
        if lacking := barred(self._path):
            return JournalForbiddenError(lacking)
        if found := foreign(self._path):
            return ForeignFileError(foreign_sentence(self._path, found))
        # SQLite names a spoilt table in its message, and the name may be noise.
        if isinstance(exc, UnicodeDecodeError) or broken(exc):
            msg = f"journal {self._path}: spoilt on the disk: {exc}; {MEND}"
            return JournalBrokenError(msg)
        why = LOG_LEFT if needs_log(self._path, exc) else str(exc)
        return JournalError(f"journal {self._path}: cannot be read: {why}")

    def _check_version(self, db: sqlite3.Connection) -> None:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version == 0 and not db.execute("SELECT 1 FROM sqlite_schema").fetchone():
            # SQLite takes a file of a few bytes for an empty one.
            refuse_foreign(self._path)
            raise JournalMissingError(self._path)
        if not READABLE_FROM <= version <= len(MIGRATIONS):
            refuse_foreign(self._path)
            msg = f"journal {self._path}: cannot be read: {misfit(version)}"
            raise JournalError(msg)


def _latest(db: sqlite3.Connection, reservoir: str, probe: object, seq: int) -> Reading | None:
    """Return the last reading of a probe after `seq`, if it is among the newest of all."""
    row = db.execute(
        f"SELECT {rows.readings_selected(db)} FROM readings"  # noqa: S608 - a constant
        f" WHERE seq > max(?, ({rows.LAST_READING}) - ?)"
        " AND origin IN (SELECT id FROM origins WHERE reservoir = ? AND probe = ?)"
        " ORDER BY seq DESC LIMIT 1",
        (seq, NEWEST, reservoir, probe),
    ).fetchone()
    if row is None:
        return None
    origin = db.execute(
        f"SELECT {rows.ORIGIN_COLUMNS} FROM origins WHERE id = ?",  # noqa: S608 - a constant
        (row[1],),
    ).fetchone()
    return rows.to_reading(row, origin)


def _decoded(letters: bytes) -> str:
    return letters.decode(errors="replace")


def event_of(row: tuple[Any, ...], origins: dict[int, Any]) -> tuple[int, Event]:
    """Return the `seq` and the event of a row of `EVENT_SELECTED`."""
    return row[0], rows.to_event(row, origins.get(row[1])) or rows.damaged(row[0])


def origins_of(db: sqlite3.Connection) -> dict[int, Any]:
    """Return the origins of the entries, by the numbers that stand for them in rows."""
    found = db.execute(f"SELECT id, {rows.ORIGIN_COLUMNS} FROM origins").fetchall()  # noqa: S608
    return {number: tuple(origin) for number, *origin in found}
