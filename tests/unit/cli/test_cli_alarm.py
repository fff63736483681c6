"""`brinewright alarm`: what is listed and shown, what is asked of the station, and exit codes."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import command_client
from daemon.cli.alarm_catalogue import as_markdown
from daemon.cli.main import invoke
from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, USAGE
from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.writer import Writer
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.station.last_reading import iso
from tests.parts.stories import MORNING, Story, mixed
from tests.unit.cli.test_cli_batch_commands import service
from tests.unit.cli.test_cli_replay import CONFIG

GUIDE = Path(__file__).parents[3] / "deploy/guides/alarms.md"
OFF = "batch-off-target"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, and nobody who would make one wait for long."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(command_client, "POLL_S", 0.01)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


def off_target() -> Story:
    """A batch that came out too weak, and a probe that was silent for a while afterwards."""
    return mixed(31.5).silence(3).still(5)


class Terminal:
    """What was printed, by one command after another."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Take pytest's."""
        self._capsys = capsys

    def types(self, *words: str, code: int = OK) -> str:
        """Type a command below `alarm`; return what it printed on both streams."""
        assert code == invoke(["alarm", *words])
        printed = self._capsys.readouterr()
        assert max(map(len, printed.out.splitlines()), default=0) <= 80 or "--json" in words
        return printed.out + printed.err

    def object(self, *words: str, code: int = OK) -> dict[str, Any]:
        """Type a command with `--json`; return its object."""
        assert code == invoke(["alarm", *words, "--json"])
        found: dict[str, Any] = json.loads(self._capsys.readouterr().out)
        return found


@pytest.fixture
def terminal(capsys: pytest.CaptureFixture[str]) -> Terminal:
    """A terminal of 80 columns."""
    return Terminal(capsys)


def test_what_needs_a_person_comes_first_with_why_and_what_to_do(
    folder: Path, terminal: Terminal
) -> None:
    """What is over and was seen by nobody comes after what stands at the same urgency."""
    with service(folder, off_target()):
        said = terminal.types("list")
        found = terminal.object("list")

    lines = said.splitlines()
    first = rf"medium  mix-1 {OFF}: unacknowledged, raised 2026-03-02 08:2\d UTC"
    assert re.match(first, lines[0])
    assert lines[1].startswith("why     add ")
    assert any(line.startswith("do      correct the batch as advised") for line in lines)
    gone = "probe-fault: returned unacknowledged, raised 2026-03-02 08:"
    assert any(gone in line for line in lines)
    assert "acknowledge it; it has cleared" in said
    assert [OFF, "probe-fault"] == [each["name"] for each in found["alarms"]]
    assert [("mix-1", True), ("mix-1", False)] == [
        (each["reservoir"], each["active"]) for each in found["alarms"]
    ]
    assert not found["flood"]


def test_a_flood_and_the_stations_own_alarms_are_listed_too(
    folder: Path, terminal: Terminal
) -> None:
    """The most urgent first, whichever place it is of; what chatters is said to."""

    def alarm_state(state: str, why: str, **more: JSON) -> JSON:
        at = "2026-03-02T08:00:00.000Z"
        return {"state": state, "since": at, "active": True, "why": why, **more}

    details = {
        "": {"storage-low": alarm_state("unacknowledged", "120 MB are free")},
        "mix-1": {
            "salt-low": alarm_state("unacknowledged", "lot blue has 900 g left", repeating=True),
            "salinity-drifting": alarm_state("acknowledged", "released as 34.00 ppt", who="kim"),
            "reading-overdue": alarm_state(
                "suppressed-by-design", "old", reason="probe-fault is active"
            ),
        },
    }
    at = Instant(MORNING, 0.0)
    pictures: dict[str, JSON] = {
        name: {"time": iso(at), "phase": "ready", "alarm_details": each, "alarm_flood": not name}
        for name, each in details.items()
    }
    with Writer(folder / "configured.db") as writer:
        writer.append([Event("", at, "", body_of(Kind.DEVICE, {"state": "began"}))], 0.0, pictures)
    lines = terminal.types("list").splitlines()
    own = terminal.object("list", "--reservoir", "station")

    heads = [line for line in lines if line.startswith(("HIGH", "medium", "low", "mix-1", "A f"))]
    assert [
        "A flood of alarms is on: look for one cause of all.",
        "HIGH    mix-1 salinity-drifting: acknowledged by kim since 2026-03-02 08:00 UTC",
        "medium  station storage-low: unacknowledged since 2026-03-02 08:00 UTC",
        "low     mix-1 salt-low: unacknowledged since 2026-03-02 08:00 UTC, repeating",
        "mix-1 reading-overdue  suppressed by design since 2026-03-02 08:00 UTC:",
    ] == heads
    assert (True, ["storage-low"]) == (own["flood"], [each["name"] for each in own["alarms"]])


def test_where_nothing_stands_that_is_said(folder: Path, terminal: Terminal) -> None:
    """Exit 0: an empty list is an answer."""
    with service(folder, mixed()):
        assert "No alarm is active." in terminal.types("list")
        assert [] == terminal.object("list")["alarms"]


def test_an_old_list_asks_whether_the_service_runs(folder: Path, terminal: Terminal) -> None:
    """The story is of another day."""
    with service(folder, mixed()):
        assert "is the service running?" in terminal.types("list")


def test_an_alarm_is_acknowledged_shelved_and_brought_back(
    folder: Path, terminal: Terminal
) -> None:
    """Each act is asked of the station, and the list shows it."""
    with service(folder, off_target()) as taken:
        assert f"{OFF} is acknowledged now\n" == terminal.types("ack", OFF)
        assert "nothing to acknowledge" in terminal.types("ack", OFF, code=NOT_SO)
        words = ("shelve", OFF, "--hours", "2", "--reason", "salt is ordered")
        assert "is shelved until 2026-03-02T" in terminal.types(*words)
        listed = terminal.types("list")
        assert "shelved, suppressed or out of service:" in listed
        assert "shelved by" in listed
        assert "salt is ordered" in listed
        assert f"{OFF} is unacknowledged now\n" == terminal.types("unshelve", OFF)

    assert [
        ("alarm.acknowledge", {"name": OFF}),
        ("alarm.acknowledge", {"name": OFF}),
        ("alarm.shelve", {"name": OFF, "hours": 2.0, "reason": "salt is ordered"}),
        ("alarm.unshelve", {"name": OFF}),
    ] == [(each.verb, dict(each.facts)) for each in taken]
    assert {"mix-1"} == {each.reservoir for each in taken}


def test_an_alarm_is_taken_out_of_service_and_returned(folder: Path, terminal: Terminal) -> None:
    """With a reason, which stays in the list."""
    with service(folder, off_target()):
        words = ("remove-from-service", "probe-fault", "--reason", "the probe is away")
        assert "probe-fault is out-of-service now\n" == terminal.types(*words)
        assert "the probe is away" in " ".join(terminal.types("list").split())
        assert "is normal now" in terminal.types("return-to-service", "probe-fault")
        assert "in service" in terminal.types("return-to-service", "probe-fault", code=NOT_SO)


def test_minutes_will_do_too(folder: Path, terminal: Terminal) -> None:
    """Whichever is handier."""
    with service(folder, off_target()) as taken:
        said = terminal.types("shelve", OFF, "--minutes", "30", "--reason", "seen")

    assert {"name": OFF, "minutes": 30.0, "reason": "seen"} == taken[0].facts
    assert "2026-03-02T09:26:00.000Z" in said


def test_all_alarms_are_acknowledged_at_once_only_when_that_is_said(
    folder: Path, terminal: Terminal
) -> None:
    """One command for each place that has something to acknowledge."""
    with service(folder, off_target()) as taken:
        assert "name one alarm, or give --all" in terminal.types("ack", code=USAGE)
        answer = terminal.object("ack", "--all")
        assert "there is nothing to acknowledge" in terminal.types("ack", "--all", code=NOT_SO)
        assert OFF in terminal.types("list")

    assert [{"all": True}] == [each.facts for each in taken]
    assert answer["ok"]
    assert "probe-fault is normal now" in answer["places"][0]["answer"]


@pytest.mark.parametrize(
    "words, code, said",
    [
        (["ack", "bach-off-target"], NOT_SO, "did you mean batch-off-target?"),
        (["ack", OFF, "--reservoir", "mix-9"], NOT_SO, "there is no reservoir 'mix-9'"),
        (["list", "--reservoir", "mix-9"], NOT_SO, "there are station, mix-1"),
        (["show", "xyz"], NOT_SO, "'brinewright alarm catalogue' names all"),
        (["shelve", OFF, "--reason", "x"], USAGE, "either --hours or --minutes"),
        (["shelve", OFF, "--hours", "73", "--reason", "x"], NOT_SO, "outside 1 min to 72 h"),
        (["shelve", OFF, "--hours", "1", "--reason", " "], NOT_SO, "give a reason"),
        (["ack", "storage-low", "--reservoir", "mix-1"], USAGE, "leave --reservoir out"),
        (["ack", "storage-low"], NOT_SO, "nothing to acknowledge: storage-low is normal"),
        (["unshelve", OFF], NOT_SO, "is not shelved"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    folder: Path, terminal: Terminal, words: list[str], code: int, said: str
) -> None:
    """With an exit code by which a script knows it."""
    with service(folder, off_target()):
        assert said in terminal.types(*words, code=code)


def test_without_a_service_that_is_said(folder: Path, terminal: Terminal) -> None:
    """There is no journal yet."""
    terminal.types("list", code=UNAVAILABLE)


def test_one_alarm_is_shown_with_its_meaning_and_its_history(
    folder: Path, terminal: Terminal
) -> None:
    """What happened to it comes from the journal, who acted included."""
    with service(folder, off_target()):
        terminal.types("ack", OFF)
        said = " ".join(terminal.types("show", OFF).split())
        found = terminal.object("show", OFF)
        quiet = terminal.object("show", "salt-low")

    for words in ("salinity is steady and outside", "medium: major harm", "causes", "suppressed"):
        assert words in said
    assert f"{OFF} raised: add" in said
    assert f"{OFF} acknowledged by" in said
    assert ["raised", "acknowledged"] == [each["what"] for each in found["history"]]
    assert ["acknowledged"] == [each["state"] for each in found["present"]]
    assert ([], []) == (quiet["present"], quiet["history"])


def test_the_catalogue_is_printed_in_every_form(folder: Path, terminal: Terminal) -> None:
    """For a person at a glance, whole, for scripts and for guides; no service is needed."""
    short, whole = terminal.types("catalogue"), terminal.types("catalogue", "--whole")
    lines = terminal.types("catalogue", "--json").splitlines()

    assert {line.split()[0] for line in short.splitlines() if line[0] != " "} == {
        "alarm", *CATALOGUE
    }  # fmt: skip
    assert all(row.consequence.split(",")[0][:30] in " ".join(whole.split()) for row in _rows())
    assert set(CATALOGUE) == {json.loads(line)["name"] for line in lines}
    assert len(lines) == len(CATALOGUE)


def test_the_catalogue_tells_the_owners_settings(folder: Path, terminal: Terminal) -> None:
    """What [[alarm]] says counts, in the list as in the service."""
    text = '\n[[alarm]]\nname = "salt-low"\npriority = "high"\non_delay_s = 60\n'
    (folder / "brinewright.toml").write_text(CONFIG + text)

    high = [line for line in terminal.types("catalogue").splitlines() if " high " in line]
    assert ["salinity-drifting", "salt-low"] == [line.split()[0] for line in high]
    assert "after 60 s" in " ".join(terminal.types("catalogue", "--whole").split())


def test_the_guide_has_the_table_that_the_program_prints() -> None:
    """`brinewright alarm catalogue --markdown` makes it; a changed row is changed there too."""
    assert as_markdown(CATALOGUE.values()) in GUIDE.read_text(encoding="utf-8")


def _rows() -> list[Any]:
    return [*CATALOGUE.values()]


@pytest.mark.parametrize(
    "zone, raised",
    [
        ("Europe/Berlin", r"raised 2026-03-02 09:2\d CET\b"),
        ("Pacific/Chatham", r"raised 2026-03-02 22:0\d UTC\+13:45"),
    ],
)
def test_alarms_are_listed_in_local_time_with_the_zone_named(
    folder: Path, terminal: Terminal, zone: str, raised: str
) -> None:
    """In the list and in the history of one; a program gets UTC."""
    config = folder / "brinewright.toml"
    text = config.read_text().replace("[station]\n", f'[station]\ntimezone = "{zone}"\n', 1)
    config.write_text(text)
    with service(folder, off_target()):
        listed, shown = terminal.types("list"), terminal.types("show", OFF)
        found = terminal.object("list")

    assert re.search(raised, " ".join(listed.split()))
    assert re.search(raised.removeprefix("raised "), " ".join(shown.split()))
    assert found["alarms"][0]["raised_at"].startswith("2026-03-02T08:2")
