"""Who may read the files of the journal and write nothing reads them in every state they are in."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.journal.access import read_only
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.errors import JournalError, WrittenMeanwhileError
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.numbered import reading

SERVICE, KEEPER, STRANGER = 64_101, 64_102, 64_103
KEEPERS, OTHERS = 64_201, 64_202
ENTRIES = 40

BECOME = """
import os, sys, tempfile
from pathlib import Path
from daemon.journal import access
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.followers import followers
from daemon.journal.reader import Reader
from daemon.journal.errors import JournalError
from daemon.journal.writer import Writer
from tests.parts.numbered import reading
import json

def become(user, group):
    os.setgroups([])
    os.setresgid(group, group, group)
    os.setresuid(user, user, user)
    os.umask(0o027)

path, user, group, count = Path(sys.argv[1]), *map(int, sys.argv[2:])
"""
"""Imports all, since another user may not reach the interpreter's files."""
WRITE = """
become(user, group)
with Writer(path) as writer, Cursors(cursors_path(path)) as cursors:
    for number in range(count):
        writer.append([reading(number)], float(number))
    cursors.advance(cursor_name("mqtt", writer.identity), count // 2)
    print("written", flush=True)
    sys.stdin.read()
"""
READ = """
with tempfile.TemporaryDirectory() as scratch:  # what is imported late is imported now
    Writer(Path(scratch) / "journal.db").close()
    now = reading(0).at
    followers(Path(scratch) / "journal.db", cursors_path(path), [], now)
if count:
    look, looks = access._stamp, iter(range(count))
    access._stamp = lambda path: None if next(looks, None) is not None else look(path)
become(user, group)
told = {}
try:
    reader = Reader(path)
    told["readings"] = len(reader.readings())
    (mqtt,) = followers(path, cursors_path(path), ["mqtt"], now)
    told["waiting"] = mqtt.waiting
except JournalError as exc:
    told["sentence"] = str(exc)
print(json.dumps(told))
"""

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root may become another user")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder of the service that its group may look into, as the installer makes it."""
    outer = Path(tempfile.mkdtemp())
    outer.chmod(0o755)
    inner = outer / "lib"
    inner.mkdir()
    os.chown(inner, SERVICE, KEEPERS)
    inner.chmod(0o750)
    yield inner
    shutil.rmtree(outer)


def python(script: str, path: Path, user: int, group: int, count: int = 0) -> list[str]:
    """The words that start a script as a user."""
    return [sys.executable, "-c", BECOME + script, str(path), str(user), str(group), str(count)]


@contextmanager
def service(path: Path, count: int = ENTRIES) -> Iterator[subprocess.Popen[str]]:
    """The service that writes so many readings and stays, until its input ends or it is killed."""
    words = python(WRITE, path, SERVICE, KEEPERS, count)
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert "written\n" == child.stdout.readline()
        try:
            yield child
        finally:
            child.kill()


def ask(path: Path, user: int = KEEPER, group: int = KEEPERS, too_late: int = 0) -> dict[str, Any]:
    """What a user learns about the journal and its publisher.

    So many times the log is there when it is looked for, and gone when it is opened.
    """
    words = python(READ, path, user, group, too_late)
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def names(path: Path) -> set[str]:
    """What is in the folder."""
    return {each.name for each in path.parent.iterdir()}


WHOLE = {"readings": ENTRIES, "waiting": ENTRIES - ENTRIES // 2}


def test_a_keeper_reads_while_the_service_runs(folder: Path) -> None:
    """The logs are there, and may be read."""
    path = folder / "journal.db"
    with service(path):
        assert {"journal.db-wal", "journal-cursors.db-wal"} <= names(path)
        assert WHOLE == ask(path)


def test_a_keeper_reads_after_a_clean_stop(folder: Path) -> None:
    """No log is there, and none is made."""
    path = folder / "journal.db"
    with service(path) as child:
        child.communicate("")

    assert {"journal.db", "journal.db.lock", "journal-cursors.db"} == names(path)
    assert WHOLE == ask(path)
    assert WHOLE == ask(path, too_late=2)
    assert {"journal.db", "journal.db.lock", "journal-cursors.db"} == names(path)


def test_a_keeper_reads_after_a_kill(folder: Path) -> None:
    """What the killed service left in its logs is not missed."""
    path = folder / "journal.db"
    with service(path) as child:
        child.kill()
        child.wait()

    assert {"journal.db-wal", "journal-cursors.db-wal"} <= names(path)
    assert WHOLE == ask(path)


def test_a_log_without_its_index_is_a_sentence(folder: Path) -> None:
    """Such as of a copy that was not whole: the newest entries are never left out in silence."""
    path = folder / "journal.db"
    with service(path) as child:
        child.kill()
        child.wait()
    (folder / "journal.db-shm").unlink()

    assert "start 'brinewright run' once" in ask(path)["sentence"]


@pytest.mark.parametrize("file", ["", "journal.db", "journal.db-wal"])
def test_whoever_may_not_read_gets_a_message(folder: Path, file: str) -> None:
    """The folder, the file or its log: who may, not a traceback, nor that there is none."""
    path = folder / "journal.db"
    with service(path):
        (folder / file).chmod(0o700 if not file else 0o600)
        told = ask(path) if file else ask(path, STRANGER, OTHERS)

    used = "read" if file else "entered"
    assert told["sentence"].startswith(f"{folder / file} may be {used} by {SERVICE} alone")


def test_no_journal_in_a_folder_that_may_be_read_is_distinguished(folder: Path) -> None:
    """There is none yet, which is another thing."""
    assert "there is none yet" in ask(folder / "journal.db")["sentence"]


def test_cursors_that_may_not_be_read_are_reported(folder: Path) -> None:
    """A publisher is not called far behind for want of rights."""
    path = folder / "journal.db"
    with service(path) as child:
        child.communicate("")
    cursors_path(path).chmod(0o600)

    told = ask(path)["sentence"]
    assert told.startswith(f"{cursors_path(path)} may be read by {SERVICE} alone")


def test_reading_makes_no_file_for_anybody(tmp_path: Path) -> None:
    """Nor does it write to the card, while nobody writes the journal."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer, Cursors(cursors_path(path)) as cursors:
        writer.append([reading(1)], 0.0)
        cursors.advance(cursor_name("mqtt", writer.identity), 1)
    before = names(path)
    with read_only(path) as db:
        db.execute("SELECT count(*) FROM readings").fetchone()

        assert before == names(path)


def test_a_service_that_starts_meanwhile_disturbs_no_reader(tmp_path: Path) -> None:
    """What it writes goes to its log; what was there is read whole."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        writer.append([reading(1)], 0.0)
    with Reader(path).transaction() as db:
        later = Writer(path)
        later.append([reading(2)], 0.0)
        (count,) = db.execute("SELECT count(*) FROM readings").fetchone()
    later.close()

    assert 1 == count


def test_what_was_read_while_the_file_was_written_is_given_to_nobody(tmp_path: Path) -> None:
    """A service that starts and folds in its log makes the reader start again."""
    path = tmp_path / "journal.db"
    Writer(path).close()

    def look() -> None:
        with read_only(path) as db:
            db.execute("SELECT count(*) FROM readings").fetchone()
            with Writer(path) as writer:
                writer.append([reading(1)], 0.0)

    with pytest.raises(WrittenMeanwhileError):
        look()
    with pytest.raises(JournalError, match="another process began to write it; try again"):
        Overtaken(path).identity()


class Overtaken(Reader):
    """A reader while whose question the journal is written."""

    def _check_version(self, db: Any) -> None:  # noqa: ANN401 - as its parent's
        super()._check_version(db)
        with Writer(self._path) as writer:
            writer.append([reading(2)], 0.0)
