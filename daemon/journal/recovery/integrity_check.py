"""Whether the disk has spoilt a journal: what SQLite notices, and what it does not.

The header and the tables must be as this version makes them, every page must be where it
belongs, and every event, the station's state and the newest readings must prove true.
Older readings prove themselves when they are read.
"""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.serialisation import from_plain
from daemon.entries import Event
from daemon.journal import rows
from daemon.journal.calibration_records import record_in
from daemon.journal.errors import JournalError, broken
from daemon.journal.schema import MIGRATIONS, READABLE_FROM, WITH_BASES
from daemon.journal.tables import made_by, tables_in

if TYPE_CHECKING:
    from pathlib import Path

CHECK_S = 5.0
"""Longest time that the pages of a large journal are checked at a start, s."""
STEPS = 10_000
NEWEST_READINGS = 2_000
MAGIC = b"SQLite format 3\0"
HEADER = 100
SMALL = ("origins", "identity", "memory", "pictures", "summarised", "unproven", "events")


@dataclass(frozen=True, slots=True)
class IntegrityReport:
    """The result of an integrity check.

    Attributes:
        why: What is wrong, as part of a sentence; empty when nothing is.
        whole: Whether all of it was checked.
    """

    why: str = ""
    whole: bool = True


def check_integrity(path: Path, longest_s: float = CHECK_S) -> IntegrityReport:
    """Check the integrity of the journal at `path`.

    Raises:
        JournalError: It cannot be read at all, e.g. for want of permission.
    """
    if not path.exists():
        return IntegrityReport()
    try:
        why = _header(path)
        if why:
            return IntegrityReport(why)
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            db.text_factory = lambda letters: letters.decode(errors="replace")
            return _inside(db, longest_s)
    except OSError as exc:
        msg = f"journal {path}: cannot be read: {exc.strerror}; check the file's permissions"
        raise JournalError(msg) from exc
    except UnicodeDecodeError:
        # SQLite names the table in its message, and the name is noise.
        return IntegrityReport("its tables cannot be read")
    except sqlite3.Error as exc:
        if broken(exc):
            return IntegrityReport(str(exc))
        raise JournalError(f"journal {path}: cannot be read: {exc}") from exc


def _header(path: Path) -> str:
    """Return what is wrong with the first bytes; source: the SQLite file format, section 1.3."""
    with path.open("rb") as file:
        head = file.read(HEADER)
    if len(head) < HEADER:
        return "it is empty" if not head else "it is cut off in its first bytes"
    size = int.from_bytes(head[16:18], "big")
    fits = (
        head[:16] == MAGIC
        and (size == 1 or (size >= 512 and size & (size - 1) == 0))  # noqa: PLR2004 - as above
        and head[18:20] in (b"\1\1", b"\2\2")
        and head[20:24] == b"\0\x40\x20\x20"
        and head[56:60] in (b"\0\0\0\1", b"\0\0\0\0")
        and not any(head[72:92])
    )
    return "" if fits else "its first bytes are not those of a journal"


def _inside(db: sqlite3.Connection, longest_s: float) -> IntegrityReport:
    (version,) = db.execute("PRAGMA user_version").fetchone()
    known = len(MIGRATIONS)
    tables = tables_in(db)
    if version > known and tables != made_by(known):
        return IntegrityReport()  # a newer version made it, which its writer will say
    if not 0 <= version <= known or tables != made_by(version):
        return IntegrityReport("its tables are not those that its version makes")
    if version < READABLE_FROM:
        return IntegrityReport(*_pages(db, longest_s))
    for table in (*SMALL, *(["bases"] if version >= WITH_BASES else [])):
        (result,) = db.execute(f"PRAGMA integrity_check({table})").fetchone()
        if result != "ok":
            return IntegrityReport(f"table {table}: {result}")
    why = _unproven_entry(db)
    return IntegrityReport(why) if why else IntegrityReport(*_pages(db, longest_s))


def _pages(db: sqlite3.Connection, longest_s: float) -> tuple[str, bool]:
    until_s = time.monotonic() + longest_s
    db.set_progress_handler(lambda: int(time.monotonic() > until_s), STEPS)
    try:
        (result,) = db.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as exc:
        if getattr(exc, "sqlite_errorname", "") == "SQLITE_INTERRUPT":
            return "", False
        raise
    finally:
        db.set_progress_handler(None, 0)
    return ("" if result == "ok" else str(result)), True


def _unproven_entry(db: sqlite3.Connection) -> str:
    """Return which entry that must prove true does not; empty when all do."""
    origins = {
        number: tuple(origin)
        for number, *origin in db.execute(f"SELECT id, {rows.ORIGIN_COLUMNS} FROM origins")  # noqa: S608
    }
    for row in db.execute(f"SELECT {rows.EVENT_SELECTED} FROM events"):  # noqa: S608 - a constant
        if not sound_event(rows.to_event(row, origins.get(row[1]))):
            return f"event {row[0]} was changed"
    newest = db.execute(
        f"SELECT {rows.readings_selected(db)} FROM readings ORDER BY seq DESC LIMIT ?",  # noqa: S608
        (NEWEST_READINGS,),
    )
    for row in newest:
        if rows.to_reading(row, origins.get(row[1])) is None:
            return f"reading {row[0]} was changed"
    checkpoint = db.execute(f"SELECT {rows.CHECKPOINT_SELECTED} FROM memory").fetchone()  # noqa: S608
    return (
        ""
        if checkpoint is None or rows.sound_checkpoint(*checkpoint)
        else "the station's state was changed"
    )


def sound_event(event: Event | None) -> bool:
    """Say whether an event that was read can be trusted; a calibration must be a record too."""
    if event is None:
        return False
    record = record_in(event)
    if record is not None:
        try:
            from_plain(record)
        except ValueError:
            return False
    return True
