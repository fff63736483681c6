"""A restore that was killed: who comes next finishes it, and nobody begins in between."""

from __future__ import annotations

import logging
import threading
from pathlib import Path

import pytest

from daemon import logs
from daemon.journal.backup import restore as restore_module
from daemon.journal.backup.archive import BackupError
from daemon.journal.backup.restore import restore
from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.replacement import (
    Replacement,
    ReplacementStep,
    begin,
    note_path,
    pending,
)
from daemon.publish import _wait_for_journal
from daemon.supervision import Watchdog
from tests.parts.backups import LATER, backed_up, entries_of, names, station

STEP = ReplacementStep("journal.db", "journal.db.x", "gone")
LOG = logging.getLogger("tests.restore")


class PowerCutError(Exception):
    """The process ends here."""


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A backup of another station's folder."""
    (tmp_path / "made").mkdir()
    station(tmp_path / "made", entries=30)
    return backed_up(tmp_path / "made")


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal that is there."""
    (tmp_path / "here").mkdir()
    return station(tmp_path / "here", entries=60)


def interrupt(made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Restore, and let the power be cut as soon as it is written down what is to be done."""

    def cut(path: Path) -> None:
        if pending(path):
            raise PowerCutError

    with monkeypatch.context() as patched:
        patched.setattr(restore_module, "finish", cut)
        with pytest.raises(PowerCutError):
            restore(made, journal, LATER)
    assert note_path(journal).exists()


def test_measuring_finishes_it_at_its_start(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The restored journal is measured into, and never an empty one or the old one."""
    old = entries_of(journal)
    interrupt(made, journal, monkeypatch)
    writer, told = open_writer(journal, 5.0, LATER, LOG)
    writer.close()

    assert [] == told
    assert entries_of(made.with_name("journal.db")).items() <= entries_of(journal).items()
    (aside,) = journal.parent.glob("journal.db.replaced-*Z")
    assert old == entries_of(aside)
    assert not note_path(journal).exists()


def test_on_a_fresh_machine_no_empty_journal_is_begun(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the note and the names there is no journal at all."""
    fresh = tmp_path / "fresh" / "journal.db"
    interrupt(made, fresh, monkeypatch)
    assert not fresh.exists()
    writer, _ = open_writer(fresh, 5.0, LATER, LOG)
    writer.close()

    assert entries_of(made.with_name("journal.db")).items() <= entries_of(fresh).items()


def test_the_same_restore_again_finishes_it_and_does_no_more(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was put aside is the old journal, and not the one that had just been restored."""
    old = entries_of(journal)
    interrupt(made, journal, monkeypatch)
    done = restore(made, journal, LATER)

    assert done.finished
    asides = [each for each in done.aside if each.name.startswith("journal.db.")]
    assert [old] == [entries_of(each) for each in asides]
    assert [] == [each for each in names(journal.parent) if "restor" in each]


def test_another_restore_finishes_it_and_is_done_then(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two journals are put aside: the old one, and the one that was restored in between."""
    other = backed_up(made.parent, "other.backup", LATER)
    interrupt(made, journal, monkeypatch)
    done = restore(other, journal, LATER)

    assert not done.finished
    assert 2 == len([*journal.parent.glob("journal.db.replaced-*[Z2]")])
    assert [] == [each for each in names(journal.parent) if "restor" in each]


def test_one_that_is_refused_finishes_the_interrupted_one_all_the_same(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was begun is done, whatever comes of the second."""
    interrupt(made, journal, monkeypatch)
    other = backed_up(made.parent, "other.backup", LATER)

    def untrue(*_: object) -> None:
        raise BackupError("it does not prove true")

    monkeypatch.setattr(restore_module, "_check_journal", untrue)
    with pytest.raises(BackupError):
        restore(other, journal, LATER)

    assert entries_of(made.with_name("journal.db")).items() <= entries_of(journal).items()
    assert [] == [each for each in names(journal.parent) if "restor" in each]


def test_a_restore_mends_what_cannot_be_finished(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A note that is noise, or one whose files are gone, keeps measuring out until then."""
    for spoil in ("noise", "gone"):
        if spoil == "noise":
            note_path(journal).write_text("noise")
        else:
            begin(journal, Replacement("aa", "journal.db.restore-x", (STEP,)))
            journal.unlink(missing_ok=True)
        with pytest.raises(JournalError, match="run 'brinewright backup restore FILE' again"):
            open_writer(journal, 5.0, LATER, LOG)
        assert not restore(made, journal, LATER).finished
        writer, _ = open_writer(journal, 5.0, LATER, LOG)
        writer.close()

        assert entries_of(made.with_name("journal.db")).items() <= entries_of(journal).items()


def test_a_kill_while_it_unpacks_leaves_a_folder_that_the_next_removes(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of what is there is touched before; measuring may go on as if nothing had been."""
    left = journal.parent / "journal.db.restore-killed"
    left.mkdir()
    (left / "journal.db").write_bytes(bytes(1000))
    before = entries_of(journal)
    writer, told = open_writer(journal, 5.0, LATER, LOG)
    writer.close()
    assert ([], before) == (told, entries_of(journal))
    restore(made, journal, LATER)

    assert not left.exists()


def test_publishing_waits_until_it_is_finished(
    made: Path, journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else it would begin with the old cursors, or make new ones where the restored come."""
    interrupt(made, journal, monkeypatch)
    stop = threading.Event()
    words = (journal, stop, logs.set_up("publish"), Watchdog(()))
    thread = threading.Thread(target=_wait_for_journal, args=words)
    thread.start()
    thread.join(0.5)
    waiting = thread.is_alive()
    writer, _ = open_writer(journal, 5.0, LATER, LOG)
    writer.close()
    thread.join(10.0)
    done = not thread.is_alive()
    stop.set()
    thread.join()

    assert (True, True) == (waiting, done)
    assert Reader(journal).last_seq() > 0
