"""`brinewright batch start`, `confirm` and the other acts: what is sent, and what is answered."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import cache
from pathlib import Path

import pytest

from daemon.cli import command_client
from daemon.cli.main import invoke
from daemon.cli.output import CONFIG as WRONG_CONFIG
from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, USAGE
from daemon.entries import JSON, Command, Event, Instant
from daemon.journal.checkpoint import dump, restore
from daemon.journal.inbox import Inbox, QueuedCommand, beside
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.inboxes import made
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH, Story, a_station, mixed
from tests.parts.weights import weights
from tests.unit.cli.test_cli_replay import CONFIG

SETTINGS = {"mix-1": ReservoirSettings("mix-1", BATCH)}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, and nobody who would make one wait for long."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(command_client, "POLL_S", 0.01)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


@cache
def _released() -> tuple[str, list[Event], datetime, float]:
    """The state of a station that has released a batch, the events so far, and what time it is."""
    station, story = a_station(), mixed()
    entries = story.play(station)
    events = [each for each in entries if isinstance(each, Event)]
    return dump(station.state), events, story.wall, story.t_s


def station_after(story: Story | None) -> tuple[Station, list[Event], Story]:
    """A station that has heard a story, or of a batch released; its events; and where it stands."""
    if story is not None:
        station = a_station()
        entries = story.play(station)
        return station, [each for each in entries if isinstance(each, Event)], story
    text, events, wall, t_s = _released()
    return Station(SETTINGS, weights(), restore(text)), events, Story(wall=wall, t_s=t_s)


@contextmanager
def service(folder: Path, story: Story | None = None) -> Iterator[list[QueuedCommand]]:
    """A station that has heard a story and takes commands, as measuring does; yields what it took.

    It stands in for the process only in that it runs in a thread of this one.
    """
    station, entries, story = station_after(story)
    taken, stop = list[QueuedCommand](), threading.Event()

    def serve() -> None:
        with Writer(folder / "configured.db") as writer:
            writer.append(entries, 0.0, snapshots(station, story), dump(station.state))
            inbox = made(folder / "configured.db")
            ready.set()
            while not stop.wait(0.005):
                _carry_out(inbox, station, story, writer, taken)

    ready = threading.Event()
    thread = threading.Thread(target=serve)
    thread.start()
    try:
        assert ready.wait(10.0)
        yield taken
    finally:
        stop.set()
        thread.join(10.0)


def _carry_out(
    inbox: Inbox, station: Station, story: Story, writer: Writer, taken: list[QueuedCommand]
) -> None:
    for each in inbox.after(station.state.commands_taken):
        taken.append(each)
        at = Instant(story.wall, story.t_s, story.boot)
        said = station.advance(
            Command(
                each.id,
                at,
                each.who,
                each.via,
                each.verb,
                each.reservoir,
                each.facts,
                each.number,
            )
        )
        writer.append(said, 0.0, snapshots(station, story), dump(station.state))


def snapshots(station: Station, story: Story) -> dict[str, JSON]:
    """What measuring shows of the station and of its reservoir."""
    at = Instant(story.wall, story.t_s, story.boot)
    return {name: snapshot_in(station, name, at) for name in ("", "mix-1")}


@pytest.mark.parametrize(
    "words, verb, facts",
    [
        (
            ["start", "--mass", "7000", "--volume", "180", "--lot", "blue"],
            "batch.start",
            {"mass_g": 7000.0, "volume_l": 180.0, "lot": "blue"},
        ),
        (
            ["start", "--mass", "70", "--heel-volume", "9", "--heel-salinity", "30"],
            "batch.start",
            {"mass_g": 70.0, "heel_volume_l": 9.0, "heel_salinity": 30.0},
        ),
        (["confirm", "--batch", "b-1"], "batch.confirm", {"batch": "b-1"}),
        (
            ["reading", "--salinity", "34", "--u", "0.2", "--instrument", "lab"],
            "batch.reading",
            {"salinity": 34.0, "u_ppt": 0.2, "instrument": "lab"},
        ),
        (
            ["reading", "--gravity", "1.0256", "--hydrometer", "20/4", "--temperature", "24"],
            "batch.reading",
            {"specific_gravity": 1.0256, "hydrometer": "20/4", "temperature_C": 24.0},
        ),
        (
            ["reading", "--index", "1.339", "--temperature", "20"],
            "batch.reading",
            {"refractive_index": 1.339, "temperature_C": 20.0},
        ),
        (["note", "the bag was damp"], "batch.note", {"text": "the bag was damp"}),
        (["use", "--volume", "60"], "batch.use", {"volume_l": 60.0}),
        (["discard", "--why", "cloudy"], "batch.discard", {"why": "cloudy"}),
    ],
)
def test_each_verb_sends_what_it_was_given(
    folder: Path, words: list[str], verb: str, facts: dict[str, object]
) -> None:
    """The only reservoir needs no name, and what was not given is not sent."""
    with service(folder) as taken:
        invoke(["batch", *words])
    (sent,) = taken

    assert (verb, "mix-1", "cli", facts) == (sent.verb, sent.reservoir, sent.via, sent.facts)
    assert sent.who


def test_what_is_done_is_said_in_a_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 0, on standard output."""
    with service(folder):
        assert OK == invoke(["batch", "use", "--volume", "60"])

    assert ("60 L of mix-1-20260302-1 used, about 120 L left\n", "") == capsys.readouterr()


def test_in_json_it_is_one_object(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the id under which the journal has it, and the batch that it was about."""
    with service(folder) as taken:
        assert OK == invoke(["batch", "use", "--json"])
        assert NOT_SO == invoke(["batch", "use", "--json"])
    said = capsys.readouterr()
    done, refused = map(json.loads, said.out.splitlines())

    assert {
        "ok": True,
        "answer": "batch mix-1-20260302-1 is used",
        "id": taken[0].id,
        "batch": "mix-1-20260302-1",
    } == done
    assert (False, None) == (refused["ok"], refused["batch"])
    assert "" == said.err


@pytest.mark.parametrize(
    "words, part",
    [
        (["use", "--volume=-5"], "volume_l = -5 is outside 0 to 100000"),
        (["confirm"], "there is nothing to confirm: batch mix-1-20260302-1 is ready"),
        (["reading", "--salinity", "3500"], "salinity = 3500 is outside 0 to 42"),
        (["start", "--mass", "7000"], "is ready already; end it before the next begins"),
        (["use", "--batch", "mix-1-20250101-1"], "there is no batch 'mix-1-20250101-1' in mix-1"),
        (["note", ""], "a note needs a text"),
        (["use", "--reservoir", "mix-9"], "there is no reservoir 'mix-9'; the configuration has"),
    ],
)
def test_what_is_refused_is_one_sentence(
    folder: Path, words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1, on standard error."""
    with service(folder):
        assert NOT_SO == invoke(["batch", *words])
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert line.startswith("brinewright: ")
    assert part in line


@pytest.mark.parametrize(
    "words, part",
    [
        (["use", "--volume", "much"], "Invalid value for '--volume'"),
        (["use", "--volume", "inf"], "says what cannot be written"),
        (["note", "x" * 17_000], "16384 are allowed"),
        (["note"], "Missing argument"),
        (["sing"], "sing"),
    ],
)
def test_what_cannot_be_asked_is_a_mistake_of_use(
    folder: Path, words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, and nothing is sent."""
    with service(folder) as taken:
        assert USAGE == invoke(["batch", *words])

    assert part in capsys.readouterr().err
    assert [] == taken


def test_nobody_there_is_said_after_the_wait(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 69; the command waits, and is carried out when measuring begins."""
    assert 10.0 == command_client.WAIT_S
    monkeypatch.setattr(command_client, "WAIT_S", 0.2)
    with service(folder):
        pass
    assert UNAVAILABLE == invoke(["batch", "use"])
    said = capsys.readouterr()
    (waiting,) = Inbox(beside(folder / "configured.db")).after(0)

    assert "" == said.out
    assert "no answer within 0.2 s: is 'brinewright run' running?" in " ".join(said.err.split())
    assert 1 == len(said.err.splitlines())
    assert "batch.use" == waiting.verb


def test_without_a_journal_nothing_is_sent(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 69 at once, and no inbox is left behind."""
    assert UNAVAILABLE == invoke(["batch", "use"])
    assert "there is none yet; start 'brinewright run'" in capsys.readouterr().err
    assert not (folder / "inbox").exists()


def test_several_reservoirs_must_be_chosen_from(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, and their names."""
    second = CONFIG[CONFIG.index("[[reservoir]]") :].split("[journal]")[0]
    (folder / "brinewright.toml").write_text(f"{CONFIG}\n{second.replace('mix-1', 'mix-2')}")
    with service(folder) as taken:
        assert USAGE == invoke(["batch", "use"])
        assert OK == invoke(["batch", "use", "--reservoir", "mix-1"])

    assert "the configuration has mix-1, mix-2; choose one with --reservoir" in (
        capsys.readouterr().err
    )
    assert ["mix-1"] == [each.reservoir for each in taken]


def test_a_wrong_configuration_is_exit_78(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is sent."""
    (folder / "brinewright.toml").write_text("[station]\nname = 7\n")
    assert WRONG_CONFIG == invoke(["batch", "use"])
    assert "station.name" in capsys.readouterr().err


def test_the_sheet_has_what_was_recorded_last(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A corrected telling takes the place of the first; what was refused is no remark."""
    with service(folder, Story().still(3)):
        assert OK == invoke(["lot", "add", "indigo", "--bought", "20000"])
        assert OK == invoke(
            ["batch", "start", "--mass", "7001", "--volume", "171", "--lot", "indigo"]
        )
        assert OK == invoke(["batch", "start", "--mass", "7202"])
        assert OK == invoke(["batch", "note", "lid was open"])
        assert NOT_SO == invoke(["batch", "note", "y" * 501])
        assert OK == invoke(["batch", "sheet", "mix-1-20260302-1"])
    sheet = (folder / "mix-1-20260302-1.html").read_text(encoding="utf-8")
    # What happened, one by one, keeps the first telling too.
    summary, *happened = sheet.split('class="when"')

    assert "7202 g" in summary
    for gone in ("7001", "171 L", "indigo", "yyyy"):
        assert gone not in summary
    assert any("7001 g" in each for each in happened)
    assert "lid was open" in summary
