"""`brinewright status` of a state that is not of now: last known, with its age, and exit 1."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from rich.console import Console

from daemon.cli import watch
from daemon.cli.main import invoke
from daemon.cli.status_age import ShownAge
from daemon.journal.reader import Reader
from tests.parts.stories import mixed
from tests.unit.cli.test_cli_replay import CONFIG
from tests.unit.cli.test_cli_status import folder, measured

__all__ = ["folder"]


def test_an_old_snapshot_is_the_last_known_one_and_exits_1(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody reads "ready" and "pass" as if they were of now; how old it is comes first."""
    measured(folder, mixed(), ago_s=7200.0)

    assert 1 == invoke(["status"])
    out = capsys.readouterr().out
    assert ["mix-1         last known: ready"] == out.splitlines()[:1]
    said = " ".join(out.split())
    assert "not of now the last reading is 2 h old; measuring does not run; start" in said
    assert "quality pass at that time" in said
    assert " h ago; not measured since" in said
    assert " UTC, 2 h ago" in said
    assert max(map(len, out.splitlines())) <= 80


def test_an_old_forecast_is_not_shown(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its time has come and gone, and nobody has measured since."""
    measured(folder, mixed(minutes=14), ago_s=1.0)
    assert 0 == invoke(["status"])
    fresh = capsys.readouterr().out
    (folder / "configured.db").unlink()
    measured(folder, mixed(minutes=14), ago_s=7200.0)
    assert 1 == invoke(["status"])
    old = capsys.readouterr().out

    assert "\nexpected " in fresh
    assert "\nexpected " not in old


def test_an_old_snapshot_is_marked_in_json(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whether it is of now, how old it is and why, for each reservoir."""
    measured(folder, mixed(), ago_s=7200.0)
    assert 1 == invoke(["status", "--json"])
    old = json.loads(capsys.readouterr().out)["last_readings"]["mix-1"]
    (folder / "configured.db").unlink()
    measured(folder, mixed(), ago_s=1.0)
    assert 0 == invoke(["status", "--json"])
    fresh = json.loads(capsys.readouterr().out)["last_readings"]["mix-1"]

    assert (False, pytest.approx(7200.0, abs=60.0)) == (old["current"], old["age_s"])
    assert old["why"].startswith("the last reading is 2 h old; measuring does not run")
    assert (True, "") == (fresh["current"], fresh["why"])


def test_a_reservoir_with_a_probe_that_was_never_read_is_missed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside one that is measured it is not left out without a word."""
    more = r"""
[[reservoir]]
name = "mix-2"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
[[reservoir.probe]]
name = "ct-2"
driver = "line"
port = "/dev/ttyUSB1"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
"""
    (folder / "brinewright.toml").write_text(CONFIG + more)
    measured(folder, mixed(), ago_s=1.0)

    assert 1 == invoke(["status"])
    assert "mix-2  no reading yet; measuring does not run" in capsys.readouterr().out
    assert 0 == invoke(["status", "--reservoir", "mix-1"])


def test_a_reservoir_of_former_days_is_no_trouble(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is shown as last known, and who asks about the station gets its answer."""
    measured(folder, mixed(), ago_s=1.0)
    config = folder / "brinewright.toml"
    config.write_text(CONFIG.replace('name = "mix-1"', 'name = "mix-7"'))

    assert 0 == invoke(["status"])
    out = " ".join(capsys.readouterr().out.split())
    assert "mix-1 last known: ready" in out
    assert "this reservoir is not in the configuration, so nothing measures it" in out


def test_an_old_snapshot_of_a_rehearsal_asks_nothing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """There, time is not ours."""
    config = folder / "brinewright.toml"
    config.write_text(CONFIG.replace('wing"\n', 'wing"\nrehearsal_speed = 60.0\n', 1))
    measured(folder, mixed(), ago_s=120.0)

    assert 0 == invoke(["status"])
    assert "last known" not in capsys.readouterr().out


def test_an_old_release_is_none_to_wait_for(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A batch that was ready when measuring ended is not announced as released: exit 69."""
    monkeypatch.setattr("daemon.cli.watch.SILENT_S", 0.0)
    monkeypatch.setattr("daemon.cli.watch.POLL_S", 0.0)
    measured(folder, mixed(), ago_s=7200.0)

    assert 69 == invoke(["status", "--watch", "--until-ready"])
    said = " ".join(capsys.readouterr().out.split())
    assert "mix-1: the last reading is 2 h old; measuring does not run" in said
    assert "is released" not in said


def test_the_live_view_says_that_what_it_shows_is_old(folder: Path) -> None:
    """As the last known state, without the chance that mixing is over."""
    measured(folder, mixed(minutes=10), ago_s=1.0)
    snapshot = Reader(folder / "configured.db").snapshots()["mix-1"]
    options = watch.WatchOptions(
        "mix-1", (33.0, 35.0), False, 1.0, age=lambda _: ShownAge(7200.0, "it is 2 h old")
    )
    shown = watch.view(watch.WatchState(0, snapshot=snapshot), options, Console(width=80))

    assert "last known: dissolving" in shown
    assert "not of now" in shown
    assert "it is 2 h old" in shown
    assert "mixing over" not in shown
