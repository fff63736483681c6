"""The file of the inbox: made by measuring alone, moved in from its earlier place, replaced."""

from __future__ import annotations

import os
import sqlite3
import stat
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daemon.entries import Event, Kind
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import body_of
from daemon.journal.inbox import Inbox, beside
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.writer import Writer
from tests.parts.events import facts_in
from tests.parts.inboxes import NOW, made

EARLIER = (
    "CREATE TABLE IF NOT EXISTS commands ("
    " number INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE,"
    " who TEXT NOT NULL, via TEXT NOT NULL, verb TEXT NOT NULL,"
    " reservoir TEXT NOT NULL, facts TEXT NOT NULL) STRICT;"
    "CREATE TABLE IF NOT EXISTS taken"
    " (id INTEGER PRIMARY KEY CHECK (id = 1), number INTEGER NOT NULL) STRICT;"
)
"""As the version before made its inbox, beside the journal, whoever sent the first command."""
PUT = (
    "INSERT INTO commands (id, who, via, verb, reservoir, facts)"
    " VALUES (?, 'k', 'cli', 'v', '', '{}')"
)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Where the journal is; nobody has written it."""
    return tmp_path / "journal.db"


def earlier(journal: Path, ids: range, taken: int = 0, *, log: bool = False) -> Path:
    """An inbox of the version before, with commands; with its log, as a kill leaves it."""
    path = journal.with_name("journal-inbox.db")
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.executescript(EARLIER)
        for number in ids:
            db.execute(PUT, (f"id-{number}",))
        if taken:
            db.execute("INSERT OR REPLACE INTO taken VALUES (1, ?)", (taken,))
        if log:
            left = {end: Path(f"{path}{end}").read_bytes() for end in ("", "-wal")}
    if log:
        for end, content in left.items():
            Path(f"{path}{end}").write_bytes(content)
    return path


def waiting(inbox: OwnInbox, number: int = 0) -> list[str]:
    """The ids of what waits, when the journal has all up to a number."""
    return [each.id for each in inbox.after(inbox.go_on_from(number), 100_000)]


def states(told: list[Event]) -> list[str]:
    """What is told, in short."""
    return [str(facts_in(event)["state"]) for event in told]


def mode(path: Path) -> int:
    """The mode of a file or folder."""
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", [0o077, 0o027, 0o000])
def test_folder_and_file_are_for_owner_and_group_whatever_the_umask(
    journal: Path, umask: int
) -> None:
    """And so are the files that SQLite makes beside it while a process writes."""
    before = os.umask(umask)
    try:
        inbox = made(journal)
        with closing(sqlite3.connect(inbox.path)) as db:
            db.execute("PRAGMA user_version = 1")
            modes = {path.name: mode(path) for path in inbox.path.parent.iterdir()}
    finally:
        os.umask(before)

    assert 0o770 == mode(inbox.path.parent)
    assert {f"journal-inbox.db{end}": 0o660 for end in ("", "-wal", "-shm")} == modes


def test_a_folder_that_is_there_keeps_its_mode(journal: Path) -> None:
    """The installer makes it with the bit that hands its group down."""
    journal.with_name("inbox").mkdir()
    journal.with_name("inbox").chmod(0o2770)
    made(journal)

    assert 0o2770 == mode(journal.with_name("inbox"))


def test_a_second_start_changes_nothing(journal: Path) -> None:
    """What waits goes on to wait, in the same file."""
    inbox = made(journal)
    inbox.submit("id-1", "k", "cli", "v")
    before = inbox.path.stat().st_ino

    assert [] == inbox.establish(0, NOW)
    assert (before, ["id-1"]) == (inbox.path.stat().st_ino, waiting(inbox))


def test_one_that_was_removed_goes_on_with_higher_numbers(journal: Path) -> None:
    """So no new command is taken for one that the journal has."""
    inbox = made(journal)
    inbox.path.unlink()
    inbox.establish(2, NOW)
    for name in ("a", "b", "c"):
        inbox.submit(name, "k", "cli", "v")

    assert ["a", "b", "c"] == waiting(inbox, 2)
    assert [3, 4, 5] == [each.number for each in inbox.after(0)]


@pytest.mark.parametrize("log", [False, True])
def test_an_inbox_of_the_earlier_place_is_moved_in(journal: Path, *, log: bool) -> None:
    """With what waits and what was carried out; nothing is left beside the journal."""
    old = earlier(journal, range(1, 6), taken=3, log=log)
    inbox = OwnInbox(journal)
    told = inbox.establish(3, NOW)

    assert ["inbox moved"] == states(told)
    assert f"is now {inbox.path}; 2 commands that waited came over" in str(facts_in(told[0])["why"])
    assert ["id-4", "id-5"] == waiting(inbox, 3)
    assert not inbox.submit("id-2", "k", "cli", "v"), "a command carried out came again"
    assert not inbox.submit("id-4", "k", "cli", "v")
    assert [] == [*old.parent.glob(f"{old.name}*")]
    assert [] == inbox.establish(3, NOW)


def test_what_the_journal_has_is_not_carried_out_again(journal: Path) -> None:
    """Killed before it noted so in the inbox: by its number, or by the answer in the journal."""
    earlier(journal, range(1, 6), taken=1)
    answer = Event("", NOW, "", body_of(Kind.COMMAND, {"id": "id-3", "ok": True}))
    with Writer(journal) as writer:
        writer.append([answer], 0.0)
    inbox = OwnInbox(journal)
    inbox.establish(2, NOW)

    assert ["id-4", "id-5"] == waiting(inbox, 2)


def test_two_inboxes_become_one(journal: Path) -> None:
    """After a step back to the version before and forth again: each command once, in order."""
    inbox = made(journal)
    for name in ("new-1", "id-2", "new-2"):
        inbox.submit(name, "k", "cli", "v")
    inbox.taken(1)
    old = earlier(journal, range(1, 4), taken=1)
    inbox.establish(1, NOW)

    assert ["id-2", "new-2", "id-3"] == waiting(inbox, 1)
    assert not old.exists()


def test_a_sender_that_waits_for_the_old_file_is_refused(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is of the version before, and must not think that its command arrived."""
    old = earlier(journal, range(1, 3))
    sender = sqlite3.connect(old, isolation_level=None, check_same_thread=False, timeout=20.0)
    sender.execute("SELECT * FROM commands")
    said: list[str] = []

    def send() -> None:
        try:
            sender.executescript(EARLIER)
            sender.execute("BEGIN IMMEDIATE")
            sender.execute(PUT, ("late",))
            sender.execute("COMMIT")
            said.append("sent")
        except sqlite3.Error as exc:
            said.append(str(exc))

    thread = threading.Thread(target=send)
    unlink = Path.unlink

    def while_it_is_emptied(self: Path, missing_ok: bool = False) -> None:  # noqa: FBT001, FBT002
        if self == old:
            thread.start()
        unlink(self, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", while_it_is_emptied)
    inbox = OwnInbox(journal)
    inbox.establish(0, NOW)
    thread.join(30.0)
    sender.close()

    assert ["cannot modify commands because it is a view"] == said
    assert ["id-1", "id-2"] == waiting(inbox)


def test_a_spoilt_inbox_of_the_earlier_place_is_put_aside(journal: Path) -> None:
    """What was in it cannot be read, which is told; commands can come."""
    old = journal.with_name("journal-inbox.db")
    old.write_bytes(b"no database" * 1000)
    inbox = OwnInbox(journal)
    (told,) = inbox.establish(0, NOW)

    assert "inbox replaced" == facts_in(told)["state"]
    assert "others could not be read (file is not a database): give those again" in str(
        facts_in(told)["why"]
    )
    assert journal.with_name(str(facts_in(told)["aside"])).exists()
    assert inbox.submit("id-1", "k", "cli", "v")


def test_a_file_that_is_no_inbox_is_reported_as_spoilt(journal: Path) -> None:
    """An empty file in its place, which a person made by hand, is put aside by measuring."""
    inbox = made(journal)
    inbox.path.write_bytes(b"")
    with pytest.raises(JournalError, match="no such table: commands; measuring puts it aside"):
        inbox.submit("id-1", "k", "cli", "v")
    told = inbox.put_aside(7, NOW)

    assert "inbox put aside" == facts_in(told)["state"]
    assert inbox.submit("id-1", "k", "cli", "v")
    assert [8] == [each.number for each in inbox.after(7)]


def test_a_folder_in_its_place_is_put_aside(journal: Path) -> None:
    """Whatever is there, commands can come in the end."""
    beside(journal).mkdir(parents=True)
    inbox = OwnInbox(journal)

    assert ["inbox replaced"] == states(inbox.establish(0, NOW))
    assert inbox.submit("id-1", "k", "cli", "v")


def test_without_a_folder_to_write_in_the_sentence_says_so(tmp_path: Path) -> None:
    """A file where the folder should be; measuring goes on and says it again."""
    (tmp_path / "inbox").touch()

    with pytest.raises(JournalError, match=r"inbox/journal-inbox\.db: cannot be made: Not a dir"):
        OwnInbox(tmp_path / "journal.db").establish(0, NOW)


# --- killed at every step -------------------------------------------------------------------------

STEPS = ("open", "os.", "shutil.", "sqlite3.connect", "sqlite3.connect/handle")


def killed_at(step: int, work: Callable[[], object]) -> bool:
    """Do some work in a child that dies before its n-th use of the system; say whether it did."""
    child = os.fork()
    if not child:
        left = step

        def count(name: str, _: object) -> None:
            nonlocal left
            if name.startswith(STEPS):
                left -= 1
                if left < 0:
                    os._exit(9)

        sys.addaudithook(count)
        work()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


def lay_out(folder: Path, case: str) -> tuple[OwnInbox, list[str]]:
    """Inboxes as a start finds them, and what is to be carried out."""
    folder.mkdir()
    journal = folder / "journal.db"
    if case == "nothing there":
        return OwnInbox(journal), []
    earlier(journal, range(1, 6), taken=2, log=case == "with its log")
    if case == "two of them":
        inbox = made(folder / "other.db")
        for name in ("new-1", "id-4", "new-2"):
            inbox.submit(name, "k", "cli", "v")
        inbox.taken(1)
        folder.joinpath("inbox").mkdir(exist_ok=True)
        inbox.path.rename(beside(journal))
        return OwnInbox(journal), ["id-4", "new-2", "id-3", "id-5"]
    if case == "not ours to write":
        beside(journal).parent.mkdir()
        journal.with_name("journal-inbox.db").rename(beside(journal))
    return OwnInbox(journal), ["id-3", "id-4", "id-5"]


@pytest.mark.parametrize(
    "case",
    ["nothing there", "earlier place", "with its log", "two of them", "not ours to write"],
)
def test_killed_at_any_step_nothing_is_lost_or_carried_out_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    """The next start finishes it, however far the one before came."""
    if case == "not ours to write":
        refuse_the_first(monkeypatch)
    step, died = 0, True
    while died:
        inbox, wanted = lay_out(tmp_path / f"{step}", case)
        died = killed_at(step, lambda inbox=inbox: inbox.establish(0, NOW))  # type: ignore[misc]
        inbox.establish(0, NOW)

        assert (wanted, step) == (waiting(inbox), step)
        assert inbox.submit("more", "k", "cli", "v")
        assert [*wanted, "more"] == waiting(inbox)
        left = {path.name for path in inbox.path.parent.iterdir() if "replaced" not in path.name}
        assert {"journal-inbox.db"} == left
        step += 1

    assert step > 5


def refuse_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the file that is there at first be one that this user may not write, as root may all."""
    access = os.access

    def ours(path: Path, mode: int, **more: bool) -> bool:
        first = path.name == "journal-inbox.db" and path.exists() and path.stat().st_mode & 0o004
        return not first and access(path, mode, **more)

    monkeypatch.setattr("daemon.journal.inbox_owner.os.access", ours)


def test_a_look_where_nobody_may_enter_is_no_crash(tmp_path: Path) -> None:
    """The mark of what cannot be looked at stays the same."""
    assert () == Inbox(tmp_path / "no" / "such.db").mark()
