"""What each account may do at the command line: every verb, by strangers, a keeper, the service."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import astuple, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.output import CONFIG, NOT_SO, OK, UNAVAILABLE
from daemon.entries import Entry
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.measure.main import main as measure
from tests.conftest import wait_until
from tests.parts.accounts import (
    GROUP,
    KEEPER,
    NAMELESS,
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
from tests.parts.every_verb import (
    AT_AN_INSTRUMENT,
    LINES,
    READING,
    WITHOUT_CONFIG,
    WITHOUT_JOURNAL,
    Output,
    a_station,
    back_up,
    run_each,
    run_here,
    verbs,
    words_of,
    write_files,
    write_station,
)
from tests.parts.inboxes import NOW
from tests.parts.people import Bench

pytestmark = needs_root

station: Callable[[], tuple[list[Entry], Bench]] = cache(a_station)
OWNER_ALONE = f"by {SERVICE.name} alone, and you are {KEEPER.name}: sudo -u {SERVICE.name}"


@cache
def loaded() -> dict[str, Output]:
    """Whatever a verb loads when it runs, as the interpreter may lie where only root may read."""
    with open_folder() as top:
        installed(top)
        return run_each(every(top))


@pytest.fixture
def top() -> Iterator[Path]:
    """A machine with the service installed on it, that has measured and does not just now."""
    assert loaded()
    with open_folder() as top:
        installed(top)
        yield top


def installed(top: Path) -> None:
    """Lay out what the installer does, and let the service have measured."""
    for name in ("etc", "lib", "out"):
        (top / name).mkdir()
    config = write_files(top / "etc", top / "lib" / "journal.db")
    (top / "etc" / "receivers").write_text("json://127.0.0.1:9/secret\n")
    give(config, ROOT, 0o640)
    give(config.with_name("recording.csv"), ROOT, 0o640)
    give(top / "etc" / "receivers", SERVICE, 0o600)
    give(top / "etc", ROOT, 0o750)
    give(top / "lib", SERVICE, 0o750)
    (top / "out").chmod(0o777)
    run_as(SERVICE, partial(write_station, top / "lib" / "journal.db", *station()))
    run_as(SERVICE, partial(OwnInbox(top / "lib" / "journal.db").establish, 0, NOW))
    back_up(config, top / "out")


def each_output(account: Account, top: Path, lines: Mapping[str, list[str]]) -> dict[str, Output]:
    """What came of some command lines, run by an account with a folder of its own to write in."""

    def work() -> dict[str, Any]:
        os.chdir("/")
        return {name: astuple(each) for name, each in run_each(lines).items()}

    return {name: Output(*found) for name, found in run_as(account, work).items()}


def every(top: Path) -> dict[str, list[str]]:
    """The command line of every verb that needs no instrument."""
    config = top / "etc" / "brinewright.toml"
    verbs = LINES.keys() - AT_AN_INSTRUMENT
    return {verb: words_of(verb, config, top / "out", station()[0]) for verb in verbs}


def refused(found: Mapping[str, Output], part: str) -> dict[str, int]:
    """The exit codes of those that ended with one sentence that has this part, and nothing else."""
    return {
        verb: each.code
        for verb, each in found.items()
        if len(each.sentences) == 1 and part in each.err and not each.out
    }


def sending_ends_with(account: Account) -> str:
    """What is said of a receiver that is not there, or of an interpreter in a folder of root's.

    Messages leave in a process of their own; `tests/boot` sends one from where it is installed.
    """
    runs = run_as(account, partial(os.access, sys.executable, os.X_OK))
    return "Connection refused" if runs else "cannot be started (Permission denied)"


def test_every_verb_is_tried() -> None:
    """A new one needs a line in `every_verb`, and with that it is tried by every account."""
    assert verbs() == set(LINES)


@pytest.mark.parametrize("account", [STRANGER, NAMELESS], ids=lambda account: account.name)
def test_a_stranger_reads_one_sentence_that_names_the_group(top: Path, account: Account) -> None:
    """At every verb that needs a file of the service; the configuration cannot be read: 78."""
    found = each_output(account, top, every(top))
    part = f"{top}/etc may be entered by the group {GROUP} alone, and you ({account.name}) are not"

    assert dict.fromkeys(every(top).keys() - WITHOUT_CONFIG, CONFIG) == refused(found, part)
    assert dict.fromkeys(WITHOUT_CONFIG, OK) == {
        verb: each.code for verb, each in found.items() if each.out
    }


def test_who_may_read_the_configuration_alone_learns_the_journals_group(top: Path) -> None:
    """One sentence and 69 at every verb that needs the journal; the others work."""
    for path in (top / "etc", top / "etc" / "brinewright.toml", top / "etc" / "recording.csv"):
        path.chmod(0o755)
    found = each_output(STRANGER, top, every(top))
    part = f"{top}/lib may be entered by the group {GROUP} alone, and you (nobody) are not in it"

    assert dict.fromkeys(every(top).keys() - WITHOUT_JOURNAL, UNAVAILABLE) == refused(found, part)
    assert {"alarm test": UNAVAILABLE} == refused(found, "receivers may be read by daemon alone")
    assert WITHOUT_JOURNAL - {"alarm test"} == {
        verb for verb, each in found.items() if each.code == OK and not each.err
    }


def test_a_keeper_reads_everything_and_sends_commands(top: Path) -> None:
    """What the service alone may do is answered with its name: to run, and to read addresses."""
    found = each_output(KEEPER, top, every(top))
    waiting = {each.verb for each in OwnInbox(top / "lib" / "journal.db").after(0)}

    owners = {"run", "alarm test", "backup restore"}
    assert dict.fromkeys(owners, UNAVAILABLE) == refused(found, OWNER_ALONE)
    assert READING | WITHOUT_CONFIG == {v for v, each in found.items() if each.code == OK}
    asked = every(top).keys() - READING - WITHOUT_CONFIG - owners
    assert dict.fromkeys(asked, UNAVAILABLE) == refused(found, "no answer within 0.1 s")
    assert {"batch.note", "lot.add", "alarm.shelve", "calibrate.start"} <= waiting
    assert len(asked) == len(waiting)


@pytest.mark.parametrize("account", [SERVICE, ROOT], ids=lambda account: account.name)
def test_the_service_and_root_may_do_all(top: Path, account: Account) -> None:
    """No sentence speaks of rights; running begins, addresses are tried, a backup comes back."""
    found = each_output(account, top, every(top))

    assert {} == refused(found, " may be ")
    assert "becomes daemon.run\n" == found["run"].out
    assert sending_ends_with(account) in " ".join(found["alarm test"].out.split())
    worked = READING | WITHOUT_CONFIG | {"run", "backup restore"}
    assert worked == {verb for verb, each in found.items() if each.code == OK}


@pytest.mark.parametrize("place", ["etc", "lib"])
def test_the_live_view_says_so_at_once(top: Path, place: str) -> None:
    """And not only after it has waited in vain for a service."""
    if place == "lib":
        (top / "etc").chmod(0o755)
        (top / "etc" / "brinewright.toml").chmod(0o644)
    words = ["status", "--watch", "--config", str(top / "etc" / "brinewright.toml")]
    (found,) = each_output(STRANGER, top, {"watch": words}).values()

    assert f"{top}/{place} may be entered by the group {GROUP} alone" in found.err
    assert ("", 1) == (found.out, len(found.sentences))


def test_a_file_of_ones_own_choice_that_is_barred_is_one_sentence(top: Path) -> None:
    """To read or to write, with the group of the folder that bars the way."""
    closed = top / "closed"
    closed.mkdir()
    os.chown(closed, 0, 60)
    closed.chmod(0o750)
    config = ["--config", str(top / "etc" / "brinewright.toml")]
    lines = every(top)
    tries = {
        "config": ["status", "--config", f"{closed}/x.toml"],
        "export out": ["export", "events", "--out", f"{closed}/x.csv", *config],
        "export journal": ["export", "events", "--journal", f"{closed}/x.db", *config],
        "replay": ["replay", f"{closed}/x.csv", *config],
        "replay journal": [*lines["replay"], "--journal", f"{closed}/x.db"],
        "backup": ["backup", "create", f"{closed}/x.backup", *config],
        "check": ["backup", "check", f"{closed}/x.backup"],
        "sheet": [*lines["batch sheet"], "--out", f"{closed}/x.html"],
        "report": [*lines["calibrate report"], "--out", f"{closed}/x.html"],
    }
    found = each_output(KEEPER, top, tries)

    assert {
        "config": CONFIG,
        "export out": NOT_SO,
        "export journal": UNAVAILABLE,
        "replay": 2,
        "replay journal": UNAVAILABLE,
        "check": 2,
        "sheet": 2,
        "report": 2,
    } == refused(found, f"{closed} may be entered by the group games alone, and you (backup) are")
    # Not even that group may write there.
    assert {"backup": NOT_SO} == refused(found, f"{closed} may be written by root alone")


def test_a_folder_that_may_be_looked_into_and_not_written(top: Path) -> None:
    """Who exports into it is told whose it is."""
    config = ["--config", str(top / "etc" / "brinewright.toml")]
    tries = {"out": ["export", "events", "--out", f"{top}/lib/x.csv", *config]}
    (found,) = each_output(KEEPER, top, tries).values()

    assert (NOT_SO, "") == (found.code, found.out)
    assert f"x.csv cannot be written: {top}/lib may be written {OWNER_ALONE}" in found.err


def test_the_usual_place_is_not_passed_over_where_nobody_may_look(
    top: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another configuration, in the folder where one happens to be, is not the machine's."""
    here = top / "out" / "brinewright.toml"
    here.write_text("")
    there = top / "etc" / "brinewright.toml"
    monkeypatch.setattr("daemon.config.loading.USUAL_PLACES", (there, here))
    (found,) = each_output(STRANGER, top, {"status": ["status"]}).values()

    assert f"{top}/etc may be entered by the group {GROUP} alone" in found.err


def test_a_command_of_an_account_without_a_name_is_of_its_number(
    top: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record says who asked as well as the machine knows it."""
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.delenv(name, raising=False)
    keeper = replace(NAMELESS, groups=KEEPER.groups)
    (found,) = each_output(keeper, top, {"note": every(top)["batch note"]}).values()

    assert "no answer within" in found.err
    assert ["61003"] == [each.who for each in OwnInbox(top / "lib" / "journal.db").after(0)]


def measure_as_the_service(top: Path) -> None:
    """Measure until told to stop, and say by which number that can be told."""
    (top / "out" / "pid").write_text(str(os.getpid()))
    measure(["--config", str(top / "etc" / "brinewright.toml")])


@contextmanager
def the_service(top: Path) -> Iterator[None]:
    """The service itself, measuring under its own account."""
    child = os.fork()
    if not child:
        run_as(SERVICE, partial(measure_as_the_service, top))
        os._exit(0)
    began = "measuring began"
    try:
        journal = Reader(top / "lib" / "journal.db")
        wait_until(
            lambda: any(facts_in(event).get("state") == began for _, event in journal.events()),
            began,
        )
        yield
    finally:
        os.kill(int((top / "out" / "pid").read_text()), signal.SIGTERM)
        os.waitpid(child, 0)


@pytest.mark.parametrize("first", [ROOT, KEEPER, SERVICE], ids=lambda account: account.name)
def test_the_running_service_answers_whoever_asked_first(top: Path, first: Account) -> None:
    """Root, a keeper and the service, each after each; and a stranger is told the group."""
    config = ["--config", str(top / "etc" / "brinewright.toml")]
    order = [first, *(each for each in (ROOT, KEEPER, SERVICE) if each is not first), first]
    with the_service(top):
        found = [
            run_as(account, lambda n=n: astuple(run_here(["lot", "add", f"lot-{n}", *config])))  # type: ignore[misc]
            for n, account in enumerate(order)
        ]
        refusal = Output(*run_as(STRANGER, lambda: astuple(run_here(["lot", "add", "x", *config]))))

    assert [[0, f"lot lot-{n} added\n", ""] for n in range(len(order))] == found
    assert f"the group {GROUP} alone, and you (nobody) are not in it" in refusal.err
    assert {SERVICE.uid} == {each.stat().st_uid for each in (top / "lib" / "inbox").iterdir()}
