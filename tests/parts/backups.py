"""Parts of the tests of backups: a station's files in a folder, and what is in them."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from daemon.entries import JSON, Entry, Event, Instant, Kind
from daemon.journal.backup import archive
from daemon.journal.backup.archive import opened
from daemon.journal.backup.creation import BackupSource, create
from daemon.journal.checkpoint import dump
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.events import OtherEvent
from daemon.mixing.station.station import StationState
from tests.parts.inboxes import made
from tests.parts.numbered import START, event, reading
from tests.parts.snapshots import stored

NOW = Instant(START + timedelta(hours=1), 3600.0, "boot-1")
LATER = Instant(START + timedelta(days=3), 260_000.0, "boot-2")
CONFIGURATION = b'[station]\nname = "quarantine-wing"\n'
SINK = "recorder"
NOBODY = 65534


def answered(number: int, id_: str) -> Event:
    """The answer to a command, `number` seconds after the start."""
    facts: dict[str, JSON] = {"verb": "batch.note", "id": id_, "ok": True, "answer": "noted"}
    return Event("mix-1", event(number).at, "", body_of(Kind.COMMAND, facts))


def fill(writer: Writer, first: int, count: int) -> None:
    """Write readings with an event after each ten, and a picture."""
    for ten in range(first, first + count, 10):
        numbers = range(ten, min(ten + 10, first + count))
        some: list[Entry] = [reading(number, spoken=f"51.0,{number}") for number in numbers]
        some.append(
            replace(
                event(numbers[-1]), body=OtherEvent(Kind.PHASE, {"from": "idle", "to": str(ten)})
            )
        )
        writer.append(some, float(ten), {"mix-1": stored(batch=str(ten))})


def keep(writer: Writer, number: int, commands_taken: int = 0, id_: str = "") -> None:
    """Write the station's state, with the answer to a command where there is an id."""
    entries: list[Entry] = [answered(number, id_)] if id_ else [event(number)]
    state = StationState(commands_taken=commands_taken)
    writer.append(entries, float(number), checkpoint=dump(state))


def source(folder: Path) -> BackupSource:
    """The station of a folder."""
    return BackupSource(folder / "journal.db", "quarantine-wing", CONFIGURATION, ("mqtt-password",))


def station(folder: Path, entries: int = 40) -> Path:
    """Make all files of a station that has ended as it should; return its journal."""
    journal = folder / "journal.db"
    inbox = made(journal)
    with Writer(journal) as writer, Cursors(cursors_path(journal)) as cursors:
        fill(writer, 0, entries)
        for number in (1, 2):
            inbox.submit(f"id-{number}", "kim", "cli", "batch.note", "mix-1", {"text": "x"})
            keep(writer, entries + number, number, f"id-{number}")
        inbox.taken(2)
        inbox.submit("id-3", "kim", "cli", "batch.note", "mix-1", {"text": "waits"})
        cursors.advance(
            cursor_name(SINK, writer.identity),
            writer.last_seq - 5,
            trailing=(f"{cursor_name(SINK, writer.identity)}/kept", writer.last_seq - 9),
        )
        cursors.worked(SINK, NOW.wall)
    return journal


def backed_up(folder: Path, name: str = "a.backup", now: Instant = NOW) -> Path:
    """Back a station's folder up to a file of it."""
    create(source(folder), folder / name, now)
    return folder / name


def entries_of(journal: Path) -> dict[int, Entry]:
    """Everything in a journal, by number."""
    return {each.seq: each.entry for each in Reader(journal).after(0, 1_000_000)}


def unpacked(path: Path, to: Path) -> Path:
    """Unpack a backup into a folder; return the journal's copy."""
    to.mkdir()
    with opened(path) as found:
        for name in found.manifest.members:
            with (to / name).open("wb") as file:
                found.unpack(name, file)
    return to / archive.JOURNAL


def names(folder: Path) -> set[str]:
    """What is in a folder."""
    return {each.name for each in folder.iterdir()}


def cursors_of(path: Path) -> dict[str, int]:
    """Every cursor in a file of them."""
    with closing(sqlite3.connect(path)) as db:
        return dict(db.execute("SELECT sink, seq FROM cursors").fetchall())


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that everybody may enter."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


def as_nobody(work: Callable[[], object]) -> str:
    """Do some work in a process that has the rights of a stranger; return what went wrong."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        said = ""
        try:
            os.setgroups([])
            os.setresgid(NOBODY, NOBODY, NOBODY)
            os.setresuid(NOBODY, NOBODY, NOBODY)
            work()
        except BaseException as exc:  # noqa: BLE001 - told to the process that waits
            said = f"{type(exc).__name__}: {exc}"
        finally:
            os.write(write, said.encode())
            os._exit(0)
    os.close(write)
    with os.fdopen(read, "rb") as pipe:
        said = pipe.read().decode()
    os.waitpid(pid, 0)
    return said
