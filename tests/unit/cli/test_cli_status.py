"""`brinewright status`: the present picture, and whether it is of the present."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from daemon.cli import watch
from daemon.cli.main import invoke
from daemon.entries import Event, Instant, Kind, Surroundings
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import Story, a_station, mixed
from tests.parts.weights import weights
from tests.unit.cli.test_cli_replay import CONFIG


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, and no journal yet."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


def measured(folder: Path, story: Story, ago_s: float) -> None:
    """Let the journal hold this story, told up to so many seconds ago."""
    station, at = a_station(), datetime.now(UTC) - timedelta(seconds=ago_s)
    entries = story.play(station)
    picture = snapshot_in(station, "mix-1", Instant(at, story.t_s, story.boot))
    with Writer(folder / "configured.db") as writer:
        writer.append(entries, 0.0, {"mix-1": picture}, None)


def test_the_snapshot_is_printed_in_words_that_fit(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Phase, salinity with its spread, quality, batch and alarms."""
    measured(folder, mixed(), ago_s=1.0)

    assert 0 == invoke(["status"])
    lines = capsys.readouterr().out.splitlines()
    told = {line.split()[0]: " ".join(line.split()[1:]) for line in lines}
    assert max(map(len, lines)) <= 80
    assert ("ready", "pass", "none") == (told["mix-1"], told["quality"], told["alarms"])
    assert told["salinity"].startswith("34.0")
    assert "specific gravity 1.025" in told["salinity"]
    assert "mix-1-20260302-1" == told["batch"]
    assert not any("last known" in line for line in lines)


def test_a_suspect_reading_is_printed_with_its_test_and_figure(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A jump of half a part per thousand in released water."""
    story = mixed()
    story.say(51.5, 24.0)
    measured(folder, story, ago_s=1.0)

    assert 0 == invoke(["status"])
    said = " ".join(capsys.readouterr().out.split())
    assert "quality suspect: spike (0." in said
    assert "ppt off its course, more than 0.30)" in said


def test_a_forecast_is_not_called_a_fact(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """While salt dissolves steadiness is expected; once it is there it is told since when."""
    measured(folder, mixed(minutes=10), ago_s=1.0)
    assert 0 == invoke(["status"])
    dissolving = capsys.readouterr().out
    (folder / "configured.db").unlink()
    measured(folder, mixed(), ago_s=1.0)
    assert 0 == invoke(["status"])
    ready = capsys.readouterr().out

    assert "\nexpected release  about 08:" in dissolving
    assert "steady since" not in dissolving
    assert "\nsteady since  2026-03-02 " in ready
    assert "expected" not in ready
    assert "mS/cm, as indicated" in ready


def test_a_batch_that_is_wanted_shows_when_to_start(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is wanted, and until when salt must be in for it."""
    due = (DueBatch(5, 10, 0, 60.0, 0.1),)
    station = Station({"mix-1": ReservoirSettings("mix-1", due=due)}, weights())
    entries = mixed(minutes=1).play(station)
    at = Instant(datetime(2026, 3, 2, 9, tzinfo=UTC), 0.0)
    with Writer(folder / "configured.db") as writer:
        writer.append(entries, 0.0, {"mix-1": snapshot_in(station, "mix-1", at)}, None)

    assert 1 == invoke(["status"])
    out = " ".join(capsys.readouterr().out.split())
    assert (
        "next due 60 L ready by 10:00, Saturdays, 10 % of the tank: start by 2026-03-07 09:15 UTC"
        in out
    )


def test_long_advice_fits_too(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It goes on below, in its column."""
    measured(folder, mixed(33.05, minutes=60), ago_s=1.0)

    assert 0 == invoke(["status"])
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert any(line.startswith("advice") for line in lines)


def test_a_probe_without_a_value_shows_none(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not the last value, and not a zero."""
    measured(folder, mixed(minutes=10).silence(8), ago_s=1.0)

    assert 0 == invoke(["status"])
    out = capsys.readouterr().out
    assert "no value" in out
    assert "missing" in out
    assert ["alarms", "probe-fault"] in [line.split() for line in out.splitlines()]


def test_the_stations_own_alarms_and_a_probe_that_is_not_well_are_reported(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Below the reservoirs, and beside the quality of the reading."""
    station, story, at = a_station(), mixed(minutes=10).silence(2), datetime.now(UTC)
    entries = story.play(station)
    now = Instant(at, story.t_s, story.boot)
    entries += station.advance(Surroundings(now, storage_free_bytes=1))
    snapshots = {name: snapshot_in(station, name, now) for name in ("", "mix-1")}
    with Writer(folder / "configured.db") as writer:
        writer.append(entries, 0.0, snapshots, None)

    assert 0 == invoke(["status"])
    out = capsys.readouterr().out
    assert ["probes", "ct-1", "failure"] in [line.split() for line in out.splitlines()]
    assert out.rstrip().endswith("station\nalarms   storage-low")
    assert 0 == invoke(["status", "--json"])
    assert ["storage-low"] == json.loads(capsys.readouterr().out)["alarms"]


def test_in_json_the_snapshot_is_whole(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object: the station, and each reservoir as the topic `state` has it."""
    measured(folder, mixed(), ago_s=1.0)

    assert 0 == invoke(["status", "--json", "--reservoir", "mix-1"])
    told = json.loads(capsys.readouterr().out)
    assert "quarantine-wing" == told["station"]
    assert "ready" == told["reservoirs"]["mix-1"]["phase"]


@pytest.mark.parametrize(
    "words, code, said",
    [
        (["--reservoir", "mix-9"], 1, "there is no reading of a reservoir 'mix-9' yet"),
        (["--watch", "--reservoir", "mix-9"], 1, "there is no reservoir 'mix-9'"),
    ],
)
def test_a_reservoir_that_is_not_known_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    """One sentence, exit 1."""
    measured(folder, mixed(minutes=5), ago_s=1.0)

    assert code == invoke(["status", *words])
    assert said in capsys.readouterr().err


def test_a_journal_without_a_reading_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The service was started and has heard nothing yet."""
    began = Event("", Instant(datetime.now(UTC), 0.0), "", body_of(Kind.DEVICE, {"state": "began"}))
    with Writer(folder / "configured.db") as writer:
        writer.append([began], 0.0, {}, None)

    assert 1 == invoke(["status"])
    assert "nothing has been measured yet" in capsys.readouterr().err


def test_without_a_journal_the_service_is_missed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """69, one sentence."""
    assert 69 == invoke(["status"])
    assert 1 == len(capsys.readouterr().err.splitlines())


# --- publishers ---------------------------------------------------------------------------------


def _publishing(folder: Path) -> None:
    config = folder / "brinewright.toml"
    config.write_text(CONFIG + '[mqtt]\nhost = "127.0.0.1"\n')


def test_what_waits_for_a_publisher_is_reported(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """How much, since when and why, in 80 columns."""
    _publishing(folder)
    measured(folder, mixed(), ago_s=1.0)
    trouble = (
        "broker 127.0.0.1:1883: connection refused: start it, or check mqtt.host and mqtt.port"
    )
    with Cursors(cursors_path(folder / "configured.db")) as cursors:
        cursors.failed("mqtt", trouble, datetime.now(UTC))

    assert 0 == invoke(["status"])
    lines = capsys.readouterr().out.splitlines()
    told = " ".join(" ".join(lines[lines.index("publishing to") :]).split())
    assert max(map(len, lines)) <= 80
    assert " entries behind, oldest " in told
    assert told.endswith(f"last error: {trouble}")


def test_in_json_publishers_are_numbers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each by name: entries, seconds, texts and times."""
    _publishing(folder)
    measured(folder, mixed(), ago_s=1.0)
    journal = folder / "configured.db"
    with Cursors(cursors_path(journal)) as cursors:
        reader = Reader(journal)
        cursors.advance(cursor_name("mqtt", reader.identity()), reader.last_seq() - 1)
        cursors.worked("mqtt", datetime(2031, 5, 4, tzinfo=UTC))

    assert 0 == invoke(["status", "--json"])
    told = json.loads(capsys.readouterr().out)["publishers"]["mqtt"]
    assert told.pop("behind_s") >= 0
    assert {
        "waiting": 1,
        "error": "",
        "last_error": "",
        "last_error_at": None,
        "last_success_at": "2031-05-04T00:00:00.000Z",
        "refused": 0,
        "last_refusal": "",
    } == told


def test_without_publishers_none_are_reported(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No heading without lines below it."""
    measured(folder, mixed(), ago_s=1.0)

    assert 0 == invoke(["status"])
    assert "publishing to" not in capsys.readouterr().out


def test_cursors_that_cannot_be_read_do_not_hide_the_snapshot(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The picture is told, and beside it the file that is broken."""
    _publishing(folder)
    measured(folder, mixed(), ago_s=1.0)
    cursors_path(folder / "configured.db").write_bytes(b"nothing of the kind" * 100)

    assert 0 == invoke(["status"])
    said = capsys.readouterr()
    assert "34.0" in said.out
    assert "configured-cursors.db: cannot be read" in said.err


# --- live ---------------------------------------------------------------------------------------


def test_watching_ends_when_the_batch_is_released(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 0, and the sentence names the batch."""
    measured(folder, mixed(), ago_s=1.0)

    assert 0 == invoke(["status", "--watch", "--until-ready"])
    assert "mix-1-20260302-1 is released." in capsys.readouterr().out


def test_watching_ends_when_nothing_is_written(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 69: a view of nothing does not hang."""
    monkeypatch.setattr("daemon.cli.watch.SILENT_S", 0.0)
    measured(folder, mixed(minutes=5), ago_s=1.0)

    assert 69 == invoke(["status", "--watch", "--until-ready"])
    said = capsys.readouterr().out
    assert "nothing was written for 0 s; measuring does not run; start 'brinewright run'" in said


@pytest.mark.parametrize(
    "minutes, row",
    [
        (6, "expected release  no forecast yet: "),
        (10, "expected release  about 08:"),
        (60, "steady since  "),
    ],
)
def test_the_live_view_calls_a_forecast_a_forecast(folder: Path, minutes: int, row: str) -> None:
    """The row is named for what it is, and the target for what it is."""
    measured(folder, mixed(minutes=minutes), ago_s=1.0)
    snapshot = Reader(folder / "configured.db").snapshots()["mix-1"]
    shown = watch.view(
        watch.WatchState(0, snapshot=snapshot),
        watch.WatchOptions("mix-1", (33.0, 35.0), False, 1.0),
        Console(width=80),
    )

    assert row in shown
    assert "34 ppt (33 to 35)" in shown
    assert max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize(
    "zone, mark", [("Europe/Berlin", " CET"), ("Pacific/Chatham", " UTC+13:45")]
)
def test_status_is_in_local_time_and_its_json_in_utc(
    folder: Path, capsys: pytest.CaptureFixture[str], zone: str, mark: str
) -> None:
    """As text and live; a program gets what the topic has."""
    config = folder / "brinewright.toml"
    config.write_text(CONFIG.replace('wing"\n', f'wing"\ntimezone = "{zone}"\n', 1))
    measured(folder, mixed(), ago_s=1.0)
    snapshot = Reader(folder / "configured.db").snapshots()["mix-1"]
    since = datetime.fromisoformat(str(snapshot.stable_at)).astimezone(ZoneInfo(zone))

    assert 0 == invoke(["status"])
    assert f"steady since  {since:%Y-%m-%d %H:%M:%S}{mark}" in capsys.readouterr().out
    request = watch.WatchOptions("mix-1", (33.0, 35.0), False, 1.0, ZoneInfo(zone))
    shown = watch.view(watch.WatchState(0, snapshot=snapshot), request, Console(width=80))
    assert f"{since:%H:%M}{mark}" in shown
    assert 0 == invoke(["status", "--json"])
    told = json.loads(capsys.readouterr().out)["reservoirs"]["mix-1"]
    assert snapshot.stable_at == told["stable_at"]
    assert str(told["stable_at"]).endswith("Z")


@pytest.mark.parametrize("ago_s, lines", [(1.0, ["left          about 180 L"]), (120.0, [])])
def test_what_is_left_of_a_batch_is_shown_while_it_is_of_now(
    folder: Path, capsys: pytest.CaptureFixture[str], ago_s: float, lines: list[str]
) -> None:
    """What was used since the last reading nobody knows."""
    measured(folder, mixed(), ago_s=ago_s)
    invoke(["status"])
    out = capsys.readouterr().out

    assert lines == [each for each in out.splitlines() if each.startswith("left")]


def test_the_chance_that_mixing_is_over_fits_the_screen(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With what holds it back; a line of 80 columns holds it, or two."""
    measured(folder, mixed(minutes=14), ago_s=1.0)

    assert 0 == invoke(["status"])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    line = next(each for each in out.splitlines() if each.startswith("mixing over"))
    assert " %, held back by: " in line
    assert "only 13 min since salt came" in " ".join(out.split())


def test_an_old_chance_is_not_shown_as_present(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither in words nor as data: two minutes later nobody knows."""
    measured(folder, mixed(minutes=14), ago_s=120.0)

    assert 1 == invoke(["status"])
    assert "mixing over" not in capsys.readouterr().out
    assert 1 == invoke(["status", "--json"])
    (found,) = json.loads(capsys.readouterr().out)["reservoirs"].values()
    assert not {"chance_over", "held_back_by"} & set(found)


def test_the_live_view_shows_the_chance(folder: Path) -> None:
    """Beside the forecast, and nothing of it after the call."""
    measured(folder, mixed(minutes=14), ago_s=1.0)
    snapshot = Reader(folder / "configured.db").snapshots()["mix-1"]
    console = Console(width=80)
    options = watch.WatchOptions("mix-1", (33.0, 35.0), until_ready=False, within_min=60.0)

    shown = watch.view(watch.WatchState(1, snapshot=snapshot), options, console)

    assert "held back by" in shown
    assert max(map(len, shown.splitlines())) <= 80
