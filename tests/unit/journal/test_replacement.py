"""Files that take the place of others: all or none, wherever it is interrupted."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest

from daemon.journal import replacement
from daemon.journal.errors import JournalError
from daemon.journal.replacement import (
    NoteSpoiltError,
    Replacement,
    ReplacementStep,
    begin,
    finish,
    note_path,
    pending,
)
from daemon.publish import _is_there

OLD = {"journal.db": "old", "journal.db-wal": "its log", "journal-cursors.db": "old cursors"}
NEW = {"journal.db": "new", "journal-cursors.db": "new cursors", "journal-inbox.db": "new inbox"}
ASIDE = {
    "journal.db.aside": "old",
    "journal.db.aside-wal": "its log",
    "journal-cursors.db.aside": "old cursors",
}


FOLDER = "journal.db.restore-abc"


class PowerCutError(Exception):
    """The process ends here."""


def contents(folder: Path) -> dict[str, str]:
    """Every file of a folder but the lock, with its text; those of folders in it too."""
    return {
        str(file.relative_to(folder)): file.read_text()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A folder with old files, and new ones that wait in a folder of it."""
    (tmp_path / FOLDER).mkdir()
    for name, text in OLD.items():
        (tmp_path / name).write_text(text)
    (tmp_path / "journal.db-shm").write_text("the index of its log")
    for name, text in NEW.items():
        (tmp_path / FOLDER / name).write_text(text)
    return tmp_path / "journal.db"


def plan(aside_only: str = "") -> Replacement:
    """All new files in the place of the old ones."""
    names = ("journal-cursors.db", "journal-inbox.db", "journal.db")
    steps = [ReplacementStep(name, f"{name}.aside", name) for name in names]
    if aside_only:
        steps.insert(0, ReplacementStep(aside_only, f"{aside_only}.aside"))
    return Replacement("a" * 64, FOLDER, tuple(steps))


def test_nothing_begun_is_nothing_to_finish(journal: Path) -> None:
    """A start of measuring that follows no restore touches nothing."""
    before = contents(journal.parent)

    assert None is finish(journal)
    assert before == contents(journal.parent)


def test_the_new_files_take_the_place_and_the_old_are_kept_with_their_logs(journal: Path) -> None:
    """An old log left behind would be taken for one of the new journal."""
    begin(journal, plan())
    assert plan() == finish(journal)

    assert {**NEW, **ASIDE} == contents(journal.parent)
    assert None is pending(journal)


def moves(monkeypatch: pytest.MonkeyPatch, allowed: int) -> None:
    """Let the power be cut after so many changes of names."""
    left = iter(range(allowed))
    for name in ("rename", "unlink"):
        whole = getattr(Path, name)

        def cut(self: Path, *words: object, whole: object = whole, **more: object) -> object:
            if next(left, None) is None:
                raise PowerCutError
            return whole(self, *words, **more)  # type: ignore[operator]

        monkeypatch.setattr(Path, name, cut)


CUTS = range(12)
"""After how many changes of names; the last one is after all of them."""


@pytest.mark.parametrize("allowed", CUTS)
def test_a_power_cut_anywhere_leaves_the_old_state_or_what_the_next_start_finishes(
    journal: Path, allowed: int
) -> None:
    """Before it is written down nothing has changed; after that all of it comes to be."""
    before = contents(journal.parent)
    with pytest.MonkeyPatch.context() as monkeypatch, suppress(PowerCutError):
        moves(monkeypatch, allowed)
        begin(journal, plan())
        finish(journal)
    begun = note_path(journal).exists()
    if begun:
        assert not _is_there(journal)
        finish(journal)

    found = {name: text for name, text in contents(journal.parent).items() if "part" not in name}
    changed = begun or allowed > 0
    assert ({**NEW, **ASIDE} if changed else before) == found


def test_a_file_that_a_person_made_in_between_is_kept_as_well(journal: Path) -> None:
    """A command that comes into a new inbox before the restored one is there is not deleted."""
    inbox = journal.with_name("journal-inbox.db")
    inbox.write_text("old inbox")
    with pytest.MonkeyPatch.context() as monkeypatch, suppress(PowerCutError):
        moves(monkeypatch, 5)
        begin(journal, plan())
        finish(journal)
    assert not inbox.exists()
    inbox.write_text("a command")
    finish(journal)

    found = contents(journal.parent)
    assert ("new inbox", "old inbox", "a command") == (
        found["journal-inbox.db"],
        found["journal-inbox.db.aside"],
        found["journal-inbox.db.aside-2"],
    )


def test_two_files_of_one_name_are_both_kept(journal: Path) -> None:
    """What was put aside before is never written over, and each keeps its own log."""
    journal.with_name("journal.db.aside").write_text("an earlier one")
    begin(journal, plan())
    finish(journal)

    found = contents(journal.parent)
    assert ("an earlier one", "old", "its log") == (
        found["journal.db.aside"], found["journal.db.aside-2"], found["journal.db.aside-2-wal"],
    )  # fmt: skip


def test_a_file_that_nothing_replaces_is_only_put_aside(journal: Path) -> None:
    """What speaks of the old journal must not be taken for something of the new one."""
    notices = journal.with_name("journal-notices.db")
    notices.write_text("who was told what")
    begin(journal, plan("journal-notices.db"))
    finish(journal)

    assert not notices.exists()
    assert "who was told what" == notices.with_name("journal-notices.db.aside").read_text()


def test_what_was_unpacked_and_is_gone_is_said_and_no_journal_is_begun(journal: Path) -> None:
    """A person tidied up: an empty journal in its place would look as if nothing were wrong."""
    begin(journal, plan())
    (journal.parent / FOLDER / "journal.db").unlink()
    journal.unlink()

    with pytest.raises(JournalError, match="interrupted and cannot be finished: what was unpacked"):
        finish(journal)
    assert note_path(journal).exists()


def test_a_note_that_cannot_be_read_is_said(journal: Path) -> None:
    """Nothing is guessed from it."""
    note_path(journal).write_text('{"source": "aa", "steps": [["a", "b"')

    with pytest.raises(NoteSpoiltError, match="run 'brinewright backup restore FILE' again"):
        finish(journal)
    assert "old" == journal.read_text()


@pytest.mark.parametrize("folder", ["", ".", "..", "records", "journal.db.restore-/..", "/tmp"])
def test_no_other_folder_than_ours_is_ever_removed(journal: Path, folder: str) -> None:
    """Whatever a note says, after a disk or a person has changed it."""
    before = contents(journal.parent)
    begin(journal, Replacement("aa", folder, (ReplacementStep("journal.db", "journal.db.aside"),)))

    with pytest.raises(NoteSpoiltError, match="names a folder that is not ours"):
        finish(journal)
    note_path(journal).unlink()
    assert before == contents(journal.parent)


def test_a_step_that_fails_is_said_and_still_to_be_done(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is read-only for a while holds it up and loses nothing."""
    begin(journal, plan())
    with monkeypatch.context() as patched:
        failing = OSError(30, "Read-only file system", "journal.db")
        patched.setattr(replacement, "_take", lambda *_: (_ for _ in ()).throw(failing))
        with pytest.raises(JournalError, match="Read-only file system"):
            finish(journal)
    finish(journal)

    assert {**NEW, **ASIDE} == contents(journal.parent)
