"""Commands to the running service: taken in order, carried out once, whatever is killed when."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from daemon.entries import Event, Kind, Phase
from daemon.journal.checkpoint import restore
from daemon.journal.inbox import MOST_WAITING, Inbox, beside
from tests.conftest import wait_until
from tests.parts.events import facts_in
from tests.parts.inboxes import made
from tests.services.service_parts import (
    ROOT,
    Process,
    Station,
    assert_plain_speech,
    measuring,
    playing,
)
from tests.unit.journal.test_inbox import fill


def inbox_of(station: Station) -> Inbox:
    """The station's inbox."""
    return Inbox(beside(station.folder / "journal.db"))


def note(station: Station, name: str) -> None:
    """Send a remark about the station's lots that anybody may make, under this id."""
    inbox_of(station).submit(name, "keeper", "mqtt", "lot.add", "", {"name": name})


def ids(station: Station) -> list[str]:
    """The ids of the commands that the journal has, in its order."""
    return [str(facts_in(event)["id"]) for event in station.events(Kind.COMMAND)]


def started(process: Process, station: Station) -> None:
    """Start measuring, and wait until it does."""
    count = len(began(station))
    process.start()
    wait_until(lambda: len(began(station)) > count, "measuring to begin")


def began(station: Station) -> list[Event]:
    """The beginnings of measuring."""
    return [e for e in station.events(Kind.DEVICE) if facts_in(e).get("state") == "measuring began"]


def cli(station: Station, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the command line as a person does."""
    return subprocess.run(
        [sys.executable, "-m", "daemon.cli.main", *words, "--config", str(station.config)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@dataclass(frozen=True)
class Moment:
    """Says whether a moment has come, in seconds of this process's clock."""

    at_s: float

    def __call__(self) -> bool:
        """Whether it has come."""
        return time.monotonic() >= self.at_s


def taken(station: Station) -> int:
    """The place in the inbox that the kept state says."""
    kept = station.journal.checkpoint()
    assert kept is not None
    state = restore(kept[1])
    assert state is not None
    return state.commands_taken


def test_what_was_sent_while_nobody_measured_is_carried_out_in_order(tmp_path: Path) -> None:
    """Before the first start, and after a kill; and never a second time."""
    station = Station(tmp_path, speed=1.0)
    made(tmp_path / "journal.db")
    for n in range(3):
        note(station, f"early-{n}")
    with measuring(station) as process:
        wait_until(lambda: len(ids(station)) == 3, "the early commands")
        process.kill()
        for n in range(3):
            note(station, f"late-{n}")
        note(station, "early-0")
        process.start()
        wait_until(lambda: len(ids(station)) >= 6, "the late commands")
        process.kill()
        started(process, station)
        assert process.stop() == 0

    assert [*(f"early-{n}" for n in range(3)), *(f"late-{n}" for n in range(3))] == ids(station)
    assert all(facts_in(event)["ok"] for event in station.events(Kind.COMMAND))
    assert 6 == taken(station)
    assert_plain_speech(process)


def test_kills_at_any_moment_lose_and_double_nothing(tmp_path: Path) -> None:
    """Sixty commands while measuring is killed six times, at moments drawn by lot."""
    station, dice = Station(tmp_path, speed=1.0), random.Random(4)
    sent = [f"id-{n}" for n in range(60)]
    with measuring(station) as process:
        wait_until(lambda: bool(began(station)), "measuring to begin")
        for n in range(6):
            for name in sent[n * 10 : n * 10 + 10]:
                note(station, name)
            wait_until(Moment(time.monotonic() + dice.uniform(0.0, 0.5)), "the moment")
            process.kill()
            started(process, station)
        wait_until(lambda: len(ids(station)) >= len(sent), "all commands")
        assert process.stop() == 0

    assert sent == ids(station)
    assert len(sent) == taken(station)
    kept = station.journal.checkpoint()
    assert kept is not None
    state = restore(kept[1])
    assert state is not None
    assert sorted(sent) == sorted(state.lots)
    assert_plain_speech(process)


def test_a_journal_moved_aside_does_nothing_again(tmp_path: Path) -> None:
    """The inbox remembers what was carried out; an inbox moved aside counts from 1 again."""
    station = Station(tmp_path, speed=1.0)
    with measuring(station) as process:
        wait_until(inbox_of(station).path.exists, "the inbox")
        note(station, "one")
        wait_until(lambda: ids(station) == ["one"], "the command")
        assert process.stop() == 0
        for file in tmp_path.glob("journal.db*"):
            file.rename(tmp_path / f"old-{file.name}")
        station = Station(tmp_path, speed=1.0)
        started(process, station)
        note(station, "two")
        wait_until(lambda: bool(ids(station)), "the second command")
        assert ["two"] == ids(station)
        assert process.stop() == 0
        inbox_of(station).path.unlink()
        started(process, station)
        note(station, "three")
        wait_until(lambda: len(ids(station)) > 1, "the third command")
        for n in range(4, 7):
            note(station, str(n))
        wait_until(lambda: len(ids(station)) > 4, "more commands")
        inbox_of(station).path.unlink()
        wait_until(inbox_of(station).path.exists, "another inbox")
        note(station, "while it runs")
        wait_until(lambda: len(ids(station)) > 5, "the last command")
        assert process.stop() == 0

    assert ["two", "three", "4", "5", "6", "while it runs"] == ids(station)


def test_a_broken_inbox_stops_no_measuring(tmp_path: Path) -> None:
    """It is put aside, which the log says, and the next command is answered as ever."""
    station = Station(tmp_path, speed=1.0)
    made(tmp_path / "journal.db").path.write_bytes(b"no database" * 1000)
    with measuring(station) as process:
        wait_until(lambda: bool(began(station)), "measuring to begin")
        wait_until(
            lambda: any(
                "the inbox of commands was spoilt" in line for line in process.output_lines
            ),
            "a line",
        )
        asked = cli(station, "batch", "note", "hello")
        assert process.stop() == 0

    assert (1, "") == (asked.returncode, asked.stdout)
    assert "no batch is known in mix-1" in asked.stderr
    assert_plain_speech(process)


def test_a_flood_is_refused_while_nobody_measures(tmp_path: Path) -> None:
    """Ten thousand wait; the next is told so by the command line, exit 69."""
    station = Station(tmp_path, speed=1.0)
    with measuring(station) as process:
        wait_until(lambda: bool(began(station)), "measuring to begin")
        assert process.stop() == 0
    fill(inbox_of(station), MOST_WAITING)
    asked = cli(station, "batch", "note", "hello")

    assert (69, "") == (asked.returncode, asked.stdout)
    assert "10000 commands wait; is 'brinewright run' running?" in asked.stderr


def test_the_command_line_is_answered_by_the_running_service(tmp_path: Path) -> None:
    """Done is 0, refused is 1, misused is 2; the answer as text and as JSON."""
    station = Station(tmp_path, speed=1.0)
    with measuring(station) as process:
        wait_until(lambda: bool(began(station)), "measuring to begin")
        added = cli(station, "lot", "add", "blue", "--bought", "20000", "--number", "B-7")
        again = cli(station, "lot", "add", "blue")
        confirmed = cli(station, "batch", "confirm", "--json")
        elsewhere = cli(station, "batch", "confirm", "--reservoir", "mix-9")
        nan = cli(station, "batch", "use", "--volume", "nan")
        listed = cli(station, "lot", "list", "--json")
        planned = cli(
            station, "plan", "--volume", "180", "--target", "34", "--lot", "blue", "--json"
        )
        assert process.stop() == 0

    assert (0, "lot blue added\n", "") == (added.returncode, added.stdout, added.stderr)
    assert (1, "") == (again.returncode, again.stdout)
    assert again.stderr.startswith("brinewright: there is a lot 'blue' already")
    answer = json.loads(confirmed.stdout)
    assert (1, False, "") == (confirmed.returncode, answer["ok"], confirmed.stderr)
    assert "there is nothing to confirm: no batch is known in mix-1" == answer["answer"]
    assert 1 == elsewhere.returncode
    assert "there is no reservoir 'mix-9'; the configuration has mix-1" in elsewhere.stderr
    assert (2, "") == (nan.returncode, nan.stdout)
    assert "says what cannot be written" in nan.stderr
    assert 20000.0 == json.loads(listed.stdout)["left_g"]
    assert 0.03 == json.loads(planned.stdout)["mix_yield_u"]
    who = {facts_in(event)["who"] for event in station.events(Kind.COMMAND)}
    assert 1 == len(who)
    assert {"cli"} == {facts_in(event)["via"] for event in station.events(Kind.COMMAND)}


def test_a_batch_is_recorded_mixed_released_and_used_by_command(tmp_path: Path) -> None:
    """From the lot to the last litre, over a killed process, with the books right at the end."""
    station = Station(tmp_path)
    with playing(station, "plain-batch"), measuring(station) as process:
        station.wait_for(Phase.BLANK)
        inbox_of(station).submit(
            "lot", "keeper", "mqtt", "lot.add", "", {"name": "blue", "bought_g": 20000}
        )
        inbox_of(station).submit(
            "start", "keeper", "mqtt", "batch.start", "mix-1", {"mass_g": 7220, "lot": "blue"}
        )
        wait_until(lambda: ids(station) == ["lot", "start"], "both answers")
        process.kill()
        process.start()
        station.wait_for(Phase.READY)
        inbox_of(station).submit("use", "keeper", "page", "batch.use", "mix-1", {})
        wait_until(lambda: len(ids(station)) == 3, "the batch to be used")
        assert process.stop() == 0

    answers = {str(facts_in(e)["id"]): facts_in(e) for e in station.events(Kind.COMMAND)}
    assert all(facts["ok"] for facts in answers.values()), answers
    ended = [e for e in station.events(Kind.BATCH) if facts_in(e)["what"] == "ended"]
    learned = [e for e in station.events(Kind.BATCH) if facts_in(e)["what"] == "yield learned"]
    assert [("used", "keeper")] == [(facts_in(e)["how"], facts_in(e)["by"]) for e in ended]
    assert ["blue"] == [facts_in(e)["lot"] for e in learned]
    assert learned[0].batch == ended[0].batch == station.events(Kind.BATCH)[0].batch
    kept = station.journal.checkpoint()
    assert kept is not None
    state = restore(kept[1])
    assert state is not None
    assert 12780.0 == state.lots["blue"].left_g
    assert 1 == len(state.lots["blue"].weighings)


def test_without_a_journal_the_command_line_says_so(tmp_path: Path) -> None:
    """Exit 69 with one sentence, at once."""
    asked = cli(Station(tmp_path, speed=1.0), "batch", "note", "hello")

    assert (69, "") == (asked.returncode, asked.stdout)
    assert 1 == len(asked.stderr.splitlines())
    assert "there is none yet; start 'brinewright run'" in asked.stderr


def test_a_text_from_outside_begins_no_line_of_the_log(tmp_path: Path) -> None:
    """Nor of what the command line prints: who asked, what was asked, and the words of a note."""
    forged = "2026-03-02T08:00:00Z measure INFO forged"
    raw = f"kim\n{forged}\x1b[2J\u2028{forged}\x85{forged}\u202e"
    station = Station(tmp_path, speed=1.0)
    with measuring(station) as process:
        wait_until(inbox_of(station).path.exists, "the inbox")
        for number, verb in enumerate(("batch.note", "lot.add", raw)):
            facts = {"text": raw} if verb == "batch.note" else {"name": raw[:30], raw: raw}
            inbox_of(station).submit(f"{number}", raw, "page", verb, "mix-1", facts)
        wait_until(lambda: len(ids(station)) == 3, "the answers")
        listed = cli(station, "export", "events")
        assert process.stop() == 0

    # As whoever reads the log by lines would see them, whatever they take for a line's end.
    assert_plain_speech(process)
    assert [] == [line for line in process.output_lines if line.startswith(forged)]
    assert 3 == len([line for line in process.output_lines if r"\x1b[2J" in line])
    assert [] == [line for line in listed.stdout.split("\n") if not line.isprintable()]
