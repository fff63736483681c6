"""Whether a command waits, was taken, or was never sent."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.journal import inbox as module
from daemon.journal.errors import JournalError
from daemon.journal.inbox import Inbox, beside
from tests.parts.inboxes import made


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    """An inbox that nobody has used."""
    return made(tmp_path / "journal.db")


def test_a_question_makes_no_inbox(tmp_path: Path) -> None:
    """Where none is, nothing waits."""
    inbox = Inbox(beside(tmp_path / "journal.db"))

    assert inbox.waits("a") is None
    assert not inbox.path.exists()


def test_what_waits_is_distinguished_from_what_was_taken_and_what_never_came(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By its id; of those that were taken, the newest are known."""
    monkeypatch.setattr(module, "MOST_TAKEN", 2)
    for id_ in "abcde":
        inbox.submit(id_, "kim", "page", "batch.note")
    assert [True] * 5 == [inbox.waits(id_) for id_ in "abcde"]
    inbox.taken(4)

    assert [None, None, False, False, True] == [inbox.waits(id_) for id_ in "abcde"]
    assert inbox.waits("f") is None
    assert inbox.waits("") is None


def test_an_inbox_that_cannot_be_read_says_so(inbox: Inbox) -> None:
    """Nothing is claimed of a command then."""
    inbox.path.write_bytes(b"no database, and long enough to be taken for one" * 100)

    with pytest.raises(JournalError, match="inbox"):
        inbox.waits("a")
