"""While measuring makes a new journal, whoever reads it is told that there is none yet."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.journal import schema
from daemon.journal.errors import JournalError, JournalMissingError
from daemon.journal.reader import Reader
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import Writer

MAKE_SLOWLY = """
import sqlite3, sys, time
from pathlib import Path
from daemon.journal.writer import Writer

class Slow(sqlite3.Connection):
    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.set_trace_callback(lambda statement: time.sleep(PAUSE_S))

sqlite3.connect = lambda *args, **kwargs: Slow(*args, **kwargs)
with Writer(Path(sys.argv[1])):
    print("made", flush=True)
    sys.stdin.read()
"""
"""Makes a journal with a pause before each statement, so that others come in between."""


@contextmanager
def making(path: Path, pause_s: float) -> Iterator[subprocess.Popen[str]]:
    """A process that makes a journal, slowly, and keeps it open."""
    words = [sys.executable, "-c", MAKE_SLOWLY.replace("PAUSE_S", str(pause_s)), str(path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        try:
            yield child
        finally:
            child.kill()


def look(path: Path) -> str:
    """What a reader is told."""
    try:
        Reader(path).identity()
    except JournalMissingError:
        return "none yet"
    except JournalError as exc:
        return str(exc)
    return "there"


@pytest.mark.parametrize("attempt", range(3))
def test_a_reader_finds_no_journal_or_a_whole_one(tmp_path: Path, attempt: int) -> None:
    """At no moment of the first start is it called one of an older version, or spoilt."""
    path, told = tmp_path / "journal.db", Counter[str]()
    with making(path, 0.004) as child:
        while "there" not in told and child.poll() is None:
            told[look(path)] += 1

        assert {"none yet", "there"} == set(told)


@pytest.mark.parametrize("after_s", [0.02, 0.05, 0.1, 0.15])
def test_a_first_start_that_is_killed_leaves_none_or_a_whole_one(
    tmp_path: Path, after_s: float
) -> None:
    """Whenever it is killed, the next reader is told one of the two, and the next start goes on."""
    path = tmp_path / "journal.db"
    with making(path, 0.004) as child:
        while not path.exists():
            pass
        try:
            child.wait(after_s)  # the moment itself, not a wait for anything
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGKILL)
        child.wait()

    assert look(path) in {"none yet", "there"}
    with Writer(path):
        assert "there" == look(path)


KILLED_IN_THE_FIRST_COMMIT = """
import os, signal, sqlite3, sys

db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("PRAGMA cache_size = 2")
db.execute("BEGIN IMMEDIATE")
for number in range(200):
    db.execute(f"CREATE TABLE t{number} (a, b, c)")
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_first_start_that_was_killed_while_it_committed_leaves_none(tmp_path: Path) -> None:
    """Its rollback journal is there, and a reader may not roll it back; the next start does."""
    path = tmp_path / "journal.db"
    subprocess.run([sys.executable, "-c", KILLED_IN_THE_FIRST_COMMIT, str(path)], check=False)

    assert (tmp_path / "journal.db-journal").stat().st_size > 0
    assert "none yet" == look(path)
    with Writer(path):
        assert "there" == look(path)


@pytest.mark.parametrize("there_before", [False, True])
def test_a_step_that_fails_leaves_what_was_there(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    there_before: bool,  # noqa: FBT001 - parametrized
) -> None:
    """Of a new journal there is nothing then; an older one is as it was."""
    path = tmp_path / "journal.db"
    if there_before:
        Writer(path).close()
    monkeypatch.setattr(schema, "MIGRATIONS", (*MIGRATIONS, "CREATE TABLE spare (id);" * 2))
    with pytest.raises(JournalError, match="cannot be opened: table spare already exists"):
        Writer(path)

    assert ("there" if there_before else "none yet") == look(path)
