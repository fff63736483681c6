"""Three accounts at the installed program: root, a keeper, and somebody else.

Each runs every command there is.  None ever sees a traceback; the keeper may all that reads and
commands, and the stranger is told which group may.
"""

from __future__ import annotations

import json
from pathlib import Path
from subprocess import CompletedProcess

import pytest

from tests.boot.installed import CONFIG, PROGRAM, PYTHON, fetch, log_of, until
from tests.boot.machine import Machine
from tests.parts.every_verb import AT_AN_INSTRUMENT, LINES, verbs

GROUP = "brinewright-keepers"
RECORDING = "/srv/recording.csv"
PLACES = {
    "RECORDING": RECORDING,
    "BACKUP": RECORDING,  # no backup, so that nothing is replaced
    "BATCH": "nothing-1",
    "RECORD": "nothing-1",
    "OUT": "/srv/open",
}
OTHERWISE = {
    "run": "--only measure",
    "lot add": "WHO",
    "backup create": "/srv/open/WHO.backup",
    "calibrate": "--reference air",
    "calibrate check": "--reference air",
}
"""Words for verbs whose usual ones would run for ever, or do the same twice."""

WITHOUT_STATION = {"salinity", "simulate", "correct", "change", "probe find", "probe draft"}
"""Commands that do without configuration and records."""

READ_FILE_FIRST = {"backup check", "backup restore"}
"""Commands that refuse a file that is none of theirs before they look at the station."""

FOR_ROOT = {"backup restore", "run", "alarm test"}
"""Commands for whoever may replace records, be the service, or read its secrets."""

DONE, NOT_ALLOWED = 0, 78
USERS = ("root", "keeper", "stranger")
ALL_WITHIN_S = 240.0
EACH_LINE = (Path(__file__).parent / "each_line.py").read_text(encoding="utf-8")
POST = '''
import urllib.request
data = b"""{"id": "note-1", "who": "kim", "verb": "batch.note", "text": "clear",
 "reservoir": "mix-1"}"""
headers = {"Content-Type": "application/json", "X-Brinewright": "1"}
asked = urllib.request.Request("http://127.0.0.1:8407/command", data, headers)
print(urllib.request.urlopen(asked, timeout=20).read().decode())
'''


def words_of(verb: str, user: str) -> list[str]:
    """The words of one command line of an account."""
    words = OTHERWISE.get(verb, LINES[verb]).replace("WHO", user).split()
    for name in sorted(PLACES, key=len, reverse=True):
        words = [word.replace(name, PLACES[name]) for word in words]
    return [PROGRAM, *verb.split(), *words]


def act(machine: Machine, verb: str, user: str) -> CompletedProcess[str]:
    """Run one command as an account, with nobody to answer a question."""
    return machine.run(words_of(verb, user), user=user)


def act_each(machine: Machine, commands: list[str], user: str) -> dict[str, CompletedProcess[str]]:
    """Run commands as an account, each in a process that begins with the program loaded."""
    lines = [words_of(verb, user) for verb in commands]
    program = [PYTHON, "-I", "-c", EACH_LINE]
    done = machine.run(
        program, user=user, stdin=json.dumps(lines), timeout_s=ALL_WITHIN_S, check=True
    )
    answers = map(CompletedProcess, lines, *zip(*json.loads(done.stdout), strict=True))
    return dict(zip(commands, answers, strict=True))


@pytest.fixture
def house(station: Machine) -> Machine:
    """A machine with the product, a keeper and a stranger."""
    station.run(["useradd", "--create-home", "--groups", GROUP, "keeper"], check=True)
    station.run(["useradd", "--create-home", "stranger"], check=True)
    recording = station.run([PROGRAM, "export", "readings"], check=True).stdout
    station.write(RECORDING, recording)
    station.run(["install", "-d", "-m", "1777", "/srv/open"], check=True)
    return station


@pytest.mark.on_release("trixie")
def test_every_command_by_each_account(house: Machine) -> None:
    """No traceback at all; the stranger is told of the group wherever rights are missing."""
    all_commands = sorted(verbs() - AT_AN_INSTRUMENT)
    said = {
        (command, user): done
        for user in USERS
        for command, done in act_each(house, all_commands, user).items()
    }
    started = [act(house, "lot list", user) for user in USERS]

    assert len(all_commands) > 40
    tracebacks = [
        (key, done.stderr[-500:]) for key, done in said.items() if "Traceback" in done.stderr
    ]
    assert [] == tracebacks
    assert all("no backup" in said[each, "stranger"].stderr for each in READ_FILE_FIRST)
    unnamed = {
        command: said[command, "stranger"].stderr
        for command in set(all_commands) - WITHOUT_STATION - READ_FILE_FIRST
        if GROUP not in said[command, "stranger"].stderr
    }
    assert {} == unnamed
    assert {0} == {said[command, "stranger"].returncode for command in WITHOUT_STATION}
    assert {69, 78} >= {
        said[command, "stranger"].returncode
        for command in set(all_commands) - WITHOUT_STATION - READ_FILE_FIRST
    }
    for user in ("root", "keeper"):
        lacking = {
            command: said[command, user].stderr
            for command in all_commands
            if GROUP in said[command, user].stderr or "ermission" in said[command, user].stderr
        }
        assert set(lacking) <= (FOR_ROOT if user == "keeper" else set()), lacking
    loaded = [said["lot list", user] for user in USERS]
    assert [DONE, DONE, NOT_ALLOWED] == [each.returncode for each in started]
    assert [each.returncode for each in loaded] == [each.returncode for each in started]
    assert loaded[2].stderr == started[2].stderr
    answers = [said["lot add", "root"], said["lot add", "keeper"]]
    assert [DONE, DONE] == [each.returncode for each in answers]


@pytest.mark.on_release("bookworm")
def test_root_s_command_comes_first_and_all_others_are_still_taken(house: Machine) -> None:
    """The inbox stays the service's, whoever is first and whatever is stopped between."""
    house.run(["systemctl", "restart", "brinewright-measure"], check=True)
    codes = [act(house, "lot add", user).returncode for user in ("root", "keeper")]
    page = "\n[page]\ncommands = ['batch.note']\n"
    text = house.read(CONFIG).decode()
    house.write(CONFIG, text + page, mode=0o640, owner=f"root:{GROUP}")
    house.run(["systemctl", "restart", "brinewright-publish"], check=True)
    posted = house.run(["python3", "-c", POST])
    found = house.run(
        ["find", "/var/lib/brinewright/inbox", "-type", "f", "-printf", "%M %u %g\n"], check=True
    )

    assert [DONE, DONE] == codes
    assert "it is answered at /command?id=note-1" in posted.stdout, posted.stderr
    until(
        house,
        "measuring answers the page's command",
        lambda: "batch.note" in fetch(house, "/command?id=note-1")[1],
        20.0,
    )
    assert {f"-rw-rw---- brinewright {GROUP}"} == set(found.stdout.splitlines())
    assert "readonly" not in log_of(house, "brinewright-measure")
