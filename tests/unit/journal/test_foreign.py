"""What is at a journal's path and is none: refused with what was found, and left as it is."""

from __future__ import annotations

import logging
import os
import random
import re
import socket
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Entry, Instant
from daemon.errors import ExitCode
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.errors import ForeignFileError
from daemon.journal.foreign import foreign
from daemon.journal.place import prepare
from daemon.journal.reader import Reader
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import Writer
from daemon.publishing.notify.queue_file import QueueFile, queue_path
from daemon.publishing.sink import SinkError
from tests.parts.numbered import START, event, reading
from tests.parts.snapshots import stored

NOW = Instant(START + timedelta(hours=1), 3600.0, "boot-1")
LOG = logging.getLogger("tests.foreign")


def of_another(path: Path, version: int = 0) -> None:
    """The database of another program, whose tables have names as anybody's."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("CREATE TABLE events (id INTEGER PRIMARY KEY, day TEXT)")
        db.execute("CREATE TABLE tanks (name TEXT)")
        db.execute("INSERT INTO tanks VALUES ('quarantine')")
        db.execute(f"PRAGMA user_version = {version}")


def with_log(path: Path) -> None:
    """One whose newest table is in its write-ahead log alone."""
    of_another(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")


def noise(seed: int, count: int) -> bytes:
    """Bytes of chance."""
    return random.Random(seed).randbytes(count)


def socket_at(path: Path) -> None:
    """A socket in the file system."""
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(path))


OTHERS: dict[str, tuple[Callable[[Path], object], str]] = {
    "text": (lambda path: path.write_text("salinity,33.9\n" * 100), "a text file"),
    "short text": (lambda path: path.write_text("x"), "a text file"),
    "utf-8": (lambda path: path.write_text("Größe °C µS\n", encoding="utf-8"), "a text file"),
    "latin-1": (lambda path: path.write_text("Größe °C µS\n", encoding="latin-1"), "a text file"),
    "utf-16": (lambda path: path.write_text("Größe\n", encoding="utf-16"), "a text file"),
    "picture": (lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n" + noise(1, 999)), "begins with"),
    "zeros": (lambda path: path.write_bytes(bytes(9999)), "begins with the bytes 00 00"),
    "backup": (lambda path: path.write_bytes(b"PK\x03\x04" + noise(2, 999)), "backup restore FILE"),
    "folder": (lambda path: path.mkdir(), "a folder"),
    "pipe": (os.mkfifo, "a pipe or a socket"),
    "socket": (socket_at, "a pipe or a socket"),
    "device": (lambda path: path.symlink_to("/dev/null"), "a device"),
    "database": (of_another, "the database of another program, with events, tanks in it"),
    "database of version 6": (lambda path: of_another(path, 6), "of another program"),
    "database with a log": (with_log, "of another program"),
    "torn database": (
        lambda path: path.write_bytes(b"SQLite format 3\0" + noise(3, 9999)),
        "an SQLite database that cannot be read",
    ),
}


@pytest.mark.parametrize("kind", OTHERS)
def test_what_is_no_journal_is_refused_and_left_as_it_is(tmp_path: Path, kind: str) -> None:
    """By whoever would write it and whoever would read it, with what was found; nothing is made."""
    path = tmp_path / "journal.db"
    make, said = OTHERS[kind]
    make(path)
    before = content(tmp_path)

    for refuse in (
        lambda: open_writer(path, 5.0, NOW, LOG),
        lambda: prepare(path),
        lambda: Reader(path).last_seq(),
        lambda: Reader(path).snapshots(),
    ):
        with pytest.raises(ForeignFileError, match=re.escape(said)) as caught:
            refuse()
        assert "correct journal.path" in str(caught.value)
        assert str(path) in str(caught.value)
        assert ExitCode.CONFIG == caught.value.exit_code
    assert before == content(tmp_path)


def content(folder: Path) -> dict[str, bytes | str]:
    """Every file of a folder with what is in it; of what is no file its kind."""
    return {
        each.name: each.read_bytes() if each.is_file() else oct(each.lstat().st_mode)
        for each in folder.iterdir()
    }


def journal(folder: Path) -> Path:
    """A journal in a folder of its own."""
    path = folder / "journal.db"
    with Writer(path) as writer:
        entries: list[Entry] = [event(0), *(reading(n) for n in range(300))]
        writer.append(entries, 0.0, {"mix-1": stored()})
    return path


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: bytes(100) + data[100:],
        lambda data: noise(4, 4096) + data[4096:],
        lambda data: data[:16] + noise(5, 8000) + data[8016:],
        lambda data: data[:-5000],
    ],
    ids=["head of zeros", "first page of noise", "tables of noise", "cut"],
)
@pytest.mark.parametrize("alone", [True, False])
def test_a_spoilt_journal_is_known_for_ours(
    tmp_path: Path,
    spoil: Callable[[bytes], bytes],
    alone: bool,  # noqa: FBT001 - parametrized
) -> None:
    """By the words in it, also where it was copied away from what was beside it."""
    path = journal(tmp_path)
    path.write_bytes(spoil(path.read_bytes()))
    if alone:
        path = path.rename(tmp_path / "copy.db")

    assert "" == foreign(path)
    writer, _ = open_writer(path, 5.0, NOW, LOG)
    writer.close()
    assert 1 == len([*tmp_path.glob("*-broken-*.db")])


@pytest.mark.parametrize("left", [bytes(50_000), noise(6, 50_000), b"SQLite format 3\0"])
def test_a_journal_of_which_nothing_is_left_is_known_by_what_is_beside_it(
    tmp_path: Path, left: bytes
) -> None:
    """Zeros and noise say nothing; that a journal was written here does."""
    path = journal(tmp_path)
    path.write_bytes(left)

    assert "" == foreign(path)


@pytest.mark.parametrize("version", range(len(MIGRATIONS) + 1))
def test_a_journal_of_any_version_is_ours(tmp_path: Path, version: int) -> None:
    """Also one that has no table yet."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for step in MIGRATIONS[:version]:
            db.executescript(step)
        db.execute(f"PRAGMA user_version = {version}")

    assert "" == foreign(path)


def test_no_file_and_an_empty_one_are_nothing_of_anybodys(tmp_path: Path) -> None:
    """There a journal can be made."""
    (tmp_path / "empty.db").touch()
    for name in ("none.db", "empty.db", "none/none.db"):
        assert "" == foreign(tmp_path / name)


@pytest.mark.parametrize("make", [of_another, Path.mkdir], ids=["database", "folder"])
def test_the_files_beside_the_journal_are_not_taken_from_anybody_either(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    """A photograph's database that is called as our cursors would be keeps its own tables."""
    path = tmp_path / "journal.db"
    for beside in (cursors_path(path), queue_path(path)):
        make(beside)
    before = content(tmp_path)

    with pytest.raises(ForeignFileError, match="which is left as it is; move it, or correct"):
        Cursors(cursors_path(path))
    with pytest.raises(SinkError, match="which is left as it is; move it, or correct"):
        QueueFile(queue_path(path))
    assert before == content(tmp_path)


@pytest.mark.parametrize(
    "name, said",
    [
        ("notes.txt/journal.db", "notes.txt is no folder; correct journal.path"),
        ("notes.txt/records/journal.db", "notes.txt is no folder; correct journal.path"),
        ("/proc/records/journal.db", "the folder cannot be written: "),
    ],
)
def test_a_folder_that_cannot_be_is_one_sentence(tmp_path: Path, name: str, said: str) -> None:
    """What is in its way is named."""
    (tmp_path / "notes.txt").write_text("Monday: mixed 180 L\n")

    with pytest.raises(Exception, match=said) as caught:
        prepare(tmp_path / name)
    assert 1 == len(str(caught.value).splitlines())
    assert ["notes.txt"] == [each.name for each in tmp_path.iterdir()]


def test_what_can_be_written_is_ready_with_its_folder(tmp_path: Path) -> None:
    """And nobody holds it afterwards."""
    path = tmp_path / "state" / "brinewright" / "journal.db"
    prepare(path)
    prepare(path)
    with Writer(path), pytest.raises(Exception, match="another brinewright is writing it"):
        prepare(path)
