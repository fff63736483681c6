"""Commands on their way: in order, once, bounded, and refused in sentences."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from daemon.journal import inbox as module
from daemon.journal.errors import JournalError
from daemon.journal.inbox import (
    MOST_TAKEN,
    MOST_WAITING,
    CannotBeSentError,
    Inbox,
    InboxFullError,
    InboxMissingError,
    beside,
)
from tests.parts.inboxes import made


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    """An inbox that nobody has used."""
    return made(tmp_path / "journal.db")


def send(inbox: Inbox, name: str, **facts: Any) -> bool:  # noqa: ANN401 - whatever a test likes
    """Submit a note under this id."""
    return inbox.submit(name, "keeper", "cli", "batch.note", "mix-1", facts)


def fill(inbox: Inbox, count: int) -> None:
    """Have so many wait, put in by one transaction."""
    send(inbox, "first")
    db = sqlite3.connect(inbox.path)
    db.executemany(
        "INSERT INTO commands (id, who, via, verb, reservoir, facts)"
        " VALUES (?, '', '', '', '', '{}')",
        [(f"many-{n}",) for n in range(count - 1)],
    )
    db.commit()
    db.close()


def test_it_lies_in_a_folder_of_its_journal() -> None:
    """So that one folder holds a station, and many may write here without writing there."""
    assert Path("data/inbox/journal-inbox.db") == beside(Path("data/journal.db"))


def test_commands_come_out_as_they_went_in(inbox: Inbox) -> None:
    """In order, whole, and from where one left off."""
    for n in range(5):
        assert send(inbox, f"id-{n}", text=f"µ {n}", deep={"list": [1, None, True]})
    first, *rest = inbox.after(0)

    assert ("id-0", "keeper", "cli", "batch.note", "mix-1") == (
        first.id,
        first.who,
        first.via,
        first.verb,
        first.reservoir,
    )
    assert {"text": "µ 0", "deep": {"list": [1, None, True]}} == first.facts
    assert [2, 3, 4, 5] == [each.number for each in rest]
    assert ["id-3", "id-4"] == [each.id for each in inbox.after(3)]
    assert ["id-0", "id-1"] == [each.id for each in inbox.after(0, limit=2)]


def test_the_same_id_is_taken_once(inbox: Inbox) -> None:
    """A sender that does not know may send again, also after it was carried out."""
    assert send(inbox, "id-1", text="one")
    assert not send(inbox, "id-1", text="another")
    inbox.taken(1)
    assert not send(inbox, "id-1", text="one")

    assert [] == inbox.after(1)
    assert ["one"] == [each.facts["text"] for each in inbox.after(0)]


def test_a_sender_makes_no_inbox(tmp_path: Path) -> None:
    """Nor does looking; whoever sends the first command would own it."""
    inbox = Inbox(beside(tmp_path / "journal.db"))

    assert ([], 0, ()) == (inbox.after(0), inbox.go_on_from(0), inbox.mark())
    with pytest.raises(InboxMissingError, match=r"has not made it yet; start 'brinewright run'"):
        send(inbox, "id-1")
    assert [] == list(tmp_path.iterdir())


def test_the_mark_changes_with_every_command(inbox: Inbox) -> None:
    """Also by a command of the same length, and not by looking."""
    marks = [inbox.mark()]
    for n in range(5):
        send(inbox, f"id-{n}")
        before = inbox.mark()
        inbox.after(0)
        assert before == inbox.mark()
        os.utime(inbox.path, ns=(n, n))  # as if a tick of the file's clock had passed
        marks.append(inbox.mark())

    assert len(marks) == len(set(marks))


def test_a_flood_is_refused_with_a_sentence(inbox: Inbox) -> None:
    """Ten thousand may wait; room comes as they are carried out."""
    fill(inbox, MOST_WAITING)
    with pytest.raises(InboxFullError, match=r"10000 commands wait; is 'brinewright run' running"):
        send(inbox, "one too many")
    inbox.taken(1)

    assert send(inbox, "one more")


def test_what_was_taken_long_ago_is_forgotten(inbox: Inbox) -> None:
    """The file does not grow for ever."""
    fill(inbox, MOST_TAKEN + 100)
    inbox.taken(MOST_TAKEN + 100)

    assert 101 == inbox.after(0, limit=1)[0].number


DEEP: Any = "bottom"
for _ in range(2000):
    DEEP = [DEEP]


@pytest.mark.parametrize(
    "facts, part",
    [
        ({"text": "x" * 20_000}, "characters long; 16384 are allowed"),
        ({"mass_g": float("nan")}, "says what cannot be written"),
        ({"mass_g": float("inf")}, "says what cannot be written"),
        ({"mass_g": 10**5000}, "says what cannot be written"),
        ({"mass_g": {1, 2}}, "says what cannot be written"),
        ({"deep": DEEP}, "nested deeper than 8"),
    ],
)
def test_what_cannot_be_sent_is_refused(inbox: Inbox, facts: dict[str, Any], part: str) -> None:
    """With a sentence, and nothing waits."""
    with pytest.raises(CannotBeSentError, match=part):
        send(inbox, "id-1", **facts)

    assert [] == inbox.after(0)


@pytest.mark.parametrize("name", ["id", "who", "verb", "reservoir"])
@pytest.mark.parametrize("word, part", [("x" * 201, "at most 200"), ("\udcff", "no character")])
def test_every_word_is_bounded_and_writable(inbox: Inbox, name: str, word: str, part: str) -> None:
    """None can fill the card, and none can break the file."""
    words = {"id": "i", "who": "w", "verb": "v", "reservoir": "r", name: word}
    with pytest.raises(CannotBeSentError, match=f"the {name} of a command .*{part}"):
        inbox.submit(words["id"], words["who"], "cli", words["verb"], words["reservoir"])


def test_a_file_that_is_none_is_named(inbox: Inbox) -> None:
    """A sentence with the path, for every use."""
    inbox.path.write_bytes(b"no database" * 1000)
    uses = (
        lambda: send(inbox, "id-1"),
        lambda: inbox.after(0),
        lambda: inbox.taken(1),
        lambda: inbox.go_on_from(1),
    )
    for use in uses:
        with pytest.raises(JournalError, match=r"journal-inbox\.db: file is not a database"):
            use()


@pytest.mark.parametrize(
    "sent, taken, journal, goes_on",
    [
        (5, 3, 3, 3),  # as it should be
        (5, 3, 5, 5),  # killed before the inbox was told
        (5, 3, 0, 3),  # a new journal: what was carried out is not done again
        (5, 0, 57, 0),  # a new inbox counts from 1 again
        (0, 0, 57, 0),  # a new inbox that nobody has used
    ],
)
def test_journal_and_inbox_need_not_be_of_one_age(
    inbox: Inbox, sent: int, taken: int, journal: int, goes_on: int
) -> None:
    """Either may have been moved aside; nothing is done twice or left undone."""
    for n in range(sent):
        send(inbox, f"id-{n}")
    if taken:
        inbox.taken(taken)

    assert goes_on == inbox.go_on_from(journal)


SENDER = """
import sys
import threading
from pathlib import Path
from daemon.journal.inbox import Inbox
for n in range(25):
    Inbox(Path(sys.argv[1])).submit(
        f"{sys.argv[2]}-{n}", sys.argv[2], "cli", "batch.note", "mix-1", {"n": n}
    )
"""


def test_many_senders_lose_nothing_and_keep_their_order(inbox: Inbox) -> None:
    """Four processes at once: every command arrives, each sender's in its own order."""
    senders = [
        subprocess.Popen([sys.executable, "-c", SENDER, str(inbox.path), f"keeper-{n}"])
        for n in range(4)
    ]
    assert [0, 0, 0, 0] == [each.wait(60) for each in senders]
    found = inbox.after(0, limit=1000)

    assert list(range(1, 101)) == [each.number for each in found]
    for n in range(4):
        assert list(range(25)) == [each.facts["n"] for each in found if each.who == f"keeper-{n}"]


def test_a_sender_waits_for_another(inbox: Inbox) -> None:
    """One that another is just writing is waited for, not refused as locked."""
    other = sqlite3.connect(inbox.path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    ends = threading.Timer(0.2, other.execute, ("ROLLBACK",))
    ends.start()

    assert send(inbox, "first")

    ends.join()
    other.close()
    assert ["first"] == [each.id for each in inbox.after(0)]


def test_an_inbox_that_stays_locked_is_refused_with_a_sentence(
    inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The wait has an end, and the command is not half sent."""
    other = sqlite3.connect(inbox.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(module, "BUSY_S", 0.01)

    with pytest.raises(JournalError, match="database is locked; another holds it, try again"):
        send(inbox, "first")

    other.execute("ROLLBACK")
    other.close()
    assert [] == inbox.after(0)
