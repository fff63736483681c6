"""Three accounts at the installed program: root, a keeper, and somebody else.

Each runs every command there is.  None ever sees a traceback; the keeper may all that reads and
commands, and the stranger is told which group may.
"""

from __future__ import annotations

from collections.abc import Iterator
from subprocess import CompletedProcess

import pytest
from typer.core import TyperGroup
from typer.main import get_command

from daemon.cli.main import ROOMS, app_of
from tests.boot.installed import CONFIG, PROGRAM, fetch, log_of, until
from tests.boot.machine import Machine

GROUP = "brinewright-keepers"
RECORDING = "/srv/recording.csv"
WORDS: dict[str, str] = {
    "run": "--only measure",
    "replay": RECORDING,
    "plan": "--volume 10 --target 33 --yield 0.881",
    "correct": "--volume 10 --salinity 30 --target 33 --yield 0.881",
    "change": "--volume 100 --salinity 33 --changed 10 --new-salinity 35",
    "salinity": "--conductivity 42.914 --temperature 15",
    "simulate": "list",
    "batch show": "nothing-1",
    "batch sheet": "nothing-1",
    "batch start": "--mass 7241 --volume 180",
    "batch reading": "--salinity 34",
    "batch note": "clear",
    "lot add": "LOT",
    "lot adjust": "LOT --left 1000",
    "lot show": "LOT",
    "calibrate": "--reference air",
    "calibrate check": "--reference air",
    "calibrate revert": "nothing-1",
    "calibrate show": "nothing-1",
    "calibrate report": "nothing-1",
    "calibrate settle": "--repair cleaned",
    "alarm show": "probe-fault",
    "alarm ack": "probe-fault",
    "alarm shelve": "probe-fault --reason test",
    "alarm unshelve": "probe-fault",
    "alarm remove-from-service": "probe-fault --reason test",
    "alarm return-to-service": "probe-fault",
    "backup create": "/tmp/LOT.backup --force",
    "backup check": RECORDING,
    "backup restore": RECORDING,
}
"""What a command needs besides its name; others need nothing.  LOT becomes the account's name."""

WITHOUT_STATION = {"salinity", "simulate", "plan", "correct", "change"}
"""Commands that read neither configuration nor records."""

READ_FILE_FIRST = {"backup check", "backup restore"}
"""Commands that refuse a file that is none of theirs before they look at the station."""

FOR_ROOT = {"backup restore", "run", "alarm test"}
"""Commands for whoever may replace records, be the service, or read its secrets."""

DONE = 0
POST = """
import urllib.request
data = b'{"id": "note-1", "verb": "batch.note", "text": "clear", "reservoir": "mix-1"}'
headers = {"Content-Type": "application/json"}
asked = urllib.request.Request("http://127.0.0.1:8407/command", data, headers)
print(urllib.request.urlopen(asked, timeout=20).read().decode())
"""


def commands() -> Iterator[str]:
    """Every command of the command line, from the program itself."""
    yield from _within("", get_command(app_of(list(ROOMS))))


def _within(name: str, command: object) -> Iterator[str]:
    group = command if isinstance(command, TyperGroup) else None
    if name and (group is None or group.invoke_without_command):
        yield name
    for word, each in ({} if group is None else group.commands).items():
        yield from _within(f"{name} {word}".strip(), each)


def act(machine: Machine, command: str, user: str) -> CompletedProcess[str]:
    """Run one command as an account, with nobody to answer a question."""
    words = WORDS.get(command, "").replace("LOT", user).split()
    return machine.run([PROGRAM, *command.split(), *words], user=user)


@pytest.fixture
def house(station: Machine) -> Machine:
    """A machine with the product, a keeper and a stranger."""
    station.run(["useradd", "--create-home", "--groups", GROUP, "keeper"], check=True)
    station.run(["useradd", "--create-home", "stranger"], check=True)
    recording = station.run([PROGRAM, "export", "readings"], check=True).stdout
    station.write(RECORDING, recording)
    return station


@pytest.mark.on_release("trixie")
def test_every_command_by_each_account(house: Machine) -> None:
    """No traceback at all; the stranger is told of the group wherever rights are missing."""
    all_commands = sorted(commands())
    said = {
        (command, user): act(house, command, user)
        for user in ("root", "keeper", "stranger")
        for command in all_commands
    }

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
    answers = [said["lot add", "root"], said["lot add", "keeper"]]
    assert [DONE, DONE] == [each.returncode for each in answers]


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
    assert "readonly" not in posted.stdout + posted.stderr
    assert {f"-rw-rw---- brinewright {GROUP}"} == set(found.stdout.splitlines())
    until(house, "the page answers", lambda: fetch(house, "/healthz")[0] == "200", 20.0)
    assert "readonly" not in log_of(house, "brinewright-measure")
