"""The inbox between accounts: whoever sends first or closes last, everybody can go on."""

from __future__ import annotations

import itertools
import os
import sqlite3
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Event, Kind
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import body_of
from daemon.journal.inbox import Inbox, beside
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.accounts import (
    GROUP,
    GROUP_ID,
    KEEPER,
    ROOT,
    SERVICE,
    STRANGER,
    Account,
    give,
    needs_root,
    open_folder,
    run_as,
)
from tests.parts.events import facts_in
from tests.parts.inboxes import NOW

pytestmark = needs_root
SENDERS = [ROOT, KEEPER, SERVICE]


@pytest.fixture
def journal() -> Iterator[Path]:
    """Where the journal is: in a folder of the service, for the group to look into."""
    with open_folder() as top:
        (top / "lib").mkdir()
        give(top / "lib", SERVICE, 0o750)
        yield top / "lib" / "journal.db"


def established(journal: Path, installer: int | None = 0o2770) -> None:
    """Have the service make its inbox, in a folder of the installer's or its own."""
    if installer is not None:
        beside(journal).parent.mkdir()
        give(beside(journal).parent, SERVICE, installer)
    assert [] == run_as(SERVICE, partial(OwnInbox(journal).establish, 0, NOW))


def send(journal: Path, name: str) -> bool:
    """Send a command, and close in the end."""
    return Inbox(beside(journal)).submit(name, "k", "cli", "v")


def send_and_die(journal: Path, name: str, into: int) -> None:
    """Send a command and be killed with the file still open."""
    db = sqlite3.connect(beside(journal), isolation_level=None)
    db.execute("SELECT * FROM commands").fetchall()
    send(journal, name)
    os.write(into, b"sent")
    os._exit(0)


def ids(journal: Path) -> list[str]:
    """What measuring sees, in order."""
    return [each.id for each in OwnInbox(journal).after(0)]


def owners(folder: Path) -> set[tuple[int, int, str]]:
    """Owner, group and mode of every file in a folder."""
    found = [path.stat() for path in folder.iterdir()]
    return {(each.st_uid, each.st_gid, f"{each.st_mode & 0o7777:o}") for each in found}


@pytest.mark.parametrize("installer", [0o2770, None], ids=["installed", "made by measuring"])
@pytest.mark.parametrize(
    "order",
    [*itertools.permutations(SENDERS)],
    ids=lambda order: "-".join(each.name for each in order),
)
def test_each_may_send_after_each(
    journal: Path, order: tuple[Account, ...], installer: int | None
) -> None:
    """Root, a keeper and the service, in every order; measuring reads after each."""
    established(journal, installer)
    for number, account in enumerate(order):
        assert run_as(account, partial(send, journal, f"id-{number}"), umask=0o077)
        assert [f"id-{n}" for n in range(number + 1)] == run_as(SERVICE, partial(ids, journal))

    assert {(SERVICE.uid, GROUP_ID, "660")} == owners(beside(journal).parent)


@pytest.mark.parametrize("installer", [0o2770, None], ids=["installed", "made by measuring"])
@pytest.mark.parametrize("first", SENDERS, ids=lambda account: account.name)
def test_each_may_go_on_where_another_was_killed(
    journal: Path, first: Account, installer: int | None
) -> None:
    """What the killed one left beside the file belongs to the group, and bars nobody."""
    established(journal, installer)
    out, into = os.pipe()
    with pytest.raises(AssertionError):
        run_as(first, partial(send_and_die, journal, "id-0", into), umask=0o077)
    assert b"sent" == os.read(out, 10)
    os.close(out)
    os.close(into)
    left = owners(beside(journal).parent)
    assert 3 == len([*beside(journal).parent.iterdir()]), "there is no log beside it"
    for number, account in enumerate(SENDERS, start=1):
        assert run_as(account, partial(send, journal, f"id-{number}"), umask=0o077)

    assert {(GROUP_ID, "660")} == {each[1:] for each in left}
    assert ["id-0", "id-1", "id-2", "id-3"] == run_as(SERVICE, partial(ids, journal))


@pytest.mark.parametrize("last", SENDERS, ids=lambda account: f"{account.name} last")
@pytest.mark.parametrize("first", SENDERS, ids=lambda account: f"{account.name} first")
def test_whoever_closes_last_tidies_up_for_all(
    journal: Path, first: Account, last: Account
) -> None:
    """One comes and goes while another has it open; then the service goes on."""
    established(journal)
    (ready, tell_ready), (go_on, tell_go_on) = os.pipe(), os.pipe()

    def stay() -> None:
        db = sqlite3.connect(beside(journal), isolation_level=None)
        db.execute("SELECT * FROM commands").fetchall()
        send(journal, "of who stays")
        os.write(tell_ready, b"x")
        os.read(go_on, 1)
        db.close()

    child = os.fork()
    if not child:
        run_as(last, stay)
        os._exit(0)
    os.read(ready, 1)
    assert run_as(first, partial(send, journal, "of who goes"))
    os.write(tell_go_on, b"x")
    assert 0 == os.waitpid(child, 0)[1]
    for descriptor in (ready, tell_ready, go_on, tell_go_on):
        os.close(descriptor)

    assert ["of who stays", "of who goes"] == run_as(SERVICE, partial(ids, journal))
    assert {(SERVICE.uid, GROUP_ID, "660")} == owners(beside(journal).parent)


def test_a_stranger_is_refused_with_the_group(journal: Path) -> None:
    """One sentence that says how to join it; looking for news is no crash."""
    established(journal)

    def ask() -> list[Any]:
        inbox = Inbox(beside(journal))
        try:
            return [inbox.submit("id-1", "k", "cli", "v")]
        except JournalError as exc:
            return [str(exc), inbox.mark(), inbox.after(0), inbox.go_on_from(0)]

    sentence, *looks = run_as(STRANGER, ask)

    assert (
        f"{journal.parent} may be entered by the group {GROUP} alone, and you (nobody) are not in"
        f" it: sudo usermod -aG {GROUP} nobody, then log in again"
    ) == sentence
    assert [[], [], 0] == looks


@pytest.mark.parametrize(
    "mode, told, carried",
    [
        (0o644, "2 commands that waited came over", ["id-1", "id-2"]),
        (
            0o600,
            "0 commands that waited came over, others could not be read (Permission denied)",
            [],
        ),
    ],
)
@pytest.mark.parametrize("place", ["inbox", "earlier place"])
def test_an_inbox_of_root_is_replaced_by_the_service(
    journal: Path, place: str, mode: int, told: str, carried: list[str]
) -> None:
    """As the first command of root made it: put aside, with what waited where that can be read."""
    roots = beside(journal) if place == "inbox" else journal.with_name("journal-inbox.db")
    established(journal)
    beside(journal).replace(roots)
    os.chown(roots, 0, 0)
    roots.chmod(0o644)
    for name in ("id-1", "id-2"):
        Inbox(roots).submit(name, "k", "cli", "v")
    roots.chmod(mode)

    def start() -> list[Any]:
        inbox = OwnInbox(journal)
        (event,) = inbox.establish(0, NOW)
        assert [] == inbox.establish(0, NOW)
        return [
            facts_in(event)["state"],
            facts_in(event)["why"],
            facts_in(event)["aside"],
        ]

    state, why, aside = run_as(SERVICE, start)

    assert ("inbox replaced", True) == (state, told in why)
    assert roots.with_name(aside).exists()
    assert carried == run_as(SERVICE, partial(ids, journal))
    for account in SENDERS:
        assert run_as(account, partial(send, journal, account.name))


def test_a_log_of_a_senders_own_group_costs_only_what_is_in_it(journal: Path) -> None:
    """Who was killed before the log was the group's leaves one that the service may not read."""
    established(journal, installer=None)
    run_as(SERVICE, partial(send, journal, "id-1"))

    def send_and_die_early() -> None:
        db = sqlite3.connect(beside(journal), isolation_level=None)
        db.execute("INSERT INTO commands VALUES (2, 'id-2', 'k', 'cli', 'v', '', '{}')")
        os._exit(0)

    with pytest.raises(AssertionError):
        run_as(KEEPER, send_and_die_early)

    def start() -> list[str]:
        return [str(facts_in(each)["why"]) for each in OwnInbox(journal).establish(0, NOW)]

    (why,) = run_as(SERVICE, start)

    assert "1 command that waited came over, others could not be read (Permission denied)" in why
    assert ["id-1"] == run_as(SERVICE, partial(ids, journal))
    assert run_as(KEEPER, partial(send, journal, "id-2"))


def test_an_inbox_that_root_makes_belongs_to_the_service(journal: Path) -> None:
    """Where root begins to measure by hand; folder and file go to whom the journal's folder is."""
    OwnInbox(journal).establish(0, NOW)

    assert {(SERVICE.uid, GROUP_ID, "770")} == owners(journal.parent)
    assert {(SERVICE.uid, GROUP_ID, "660")} == owners(beside(journal).parent)


def begin(journal: Path) -> list[Any]:
    """Write journal and cursors as the two processes do; return them, still open."""
    writer, cursors = Writer(journal), Cursors(cursors_path(journal))
    writer.append([Event("", NOW, "", body_of(Kind.DEVICE, {"state": "measuring began"}))], 0.0)
    cursors.advance("mqtt@x", 1)
    return [writer, cursors]


def begin_and_die(journal: Path) -> None:
    """Begin and be killed."""
    kept = begin(journal)
    os._exit(len(kept))


def test_journal_and_cursors_are_the_groups_to_read_alone(journal: Path) -> None:
    """Under the units' umask; a keeper reads both and can write neither."""
    with pytest.raises(AssertionError):
        run_as(SERVICE, partial(begin_and_die, journal))
    modes = owners(journal.parent)

    def spoil(path: Path) -> str:
        try:
            sqlite3.connect(path, isolation_level=None).execute("CREATE TABLE x (y)")
        except sqlite3.Error as exc:
            return str(exc)
        return "written"

    def each() -> list[Any]:
        read = [Reader(journal).last_seq()]
        return [*read, spoil(journal), spoil(cursors_path(journal))]

    assert {(SERVICE.uid, GROUP_ID, "640")} == modes
    refused = "attempt to write a readonly database"
    assert [1, refused, refused] == run_as(KEEPER, each)


def test_a_keeper_reads_the_journal_of_a_service_that_has_ended(journal: Path) -> None:
    """Which then has no log beside it, and the keeper may make none."""

    def begin_and_end() -> None:
        for each in begin(journal):
            each.close()

    run_as(SERVICE, begin_and_end)

    assert [] == [path.name for path in journal.parent.iterdir() if path.name.endswith("-wal")]
    assert 1 == run_as(KEEPER, lambda: Reader(journal).last_seq())
