"""The live view ends after the minutes of the station's time that were given."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.cli.main import invoke, main
from tests.parts.stories import mixed
from tests.unit.cli.test_cli_status import folder, measured

__all__ = ["folder"]


@pytest.fixture
def passing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A journal in which ten more minutes of a dissolving batch pass at each look, then Ctrl-C."""
    ages_s = list(range(1200, 6001, 600))

    def later(_: float) -> None:
        if not ages_s:
            raise KeyboardInterrupt
        measured(folder, mixed(minutes=5), ago_s=ages_s.pop())

    measured(folder, mixed(minutes=5), ago_s=7000)
    monkeypatch.setattr("daemon.cli.watch.time.sleep", later)
    return folder


def test_watching_ends_after_its_minutes(passing: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0 with what the phase is then: whoever asked for some minutes got them."""
    assert 0 == invoke(["status", "--watch", "--within", "30"])
    assert "30 min have passed; the phase is dissolving." in capsys.readouterr().out


def test_a_batch_that_is_not_released_in_its_minutes_is_said(
    passing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 where a release was waited for."""
    assert 1 == invoke(["status", "--watch", "--until-ready", "--within", "30"])
    assert "not ready within 30 min; it is dissolving: " in capsys.readouterr().out


def test_watching_without_minutes_goes_on(
    passing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends when it is stopped, and not before."""
    assert 130 == invoke(["status", "--watch"])
    assert "have passed" not in capsys.readouterr().out


def test_ctrl_c_while_a_verb_is_loaded_is_no_fault(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends as a shell expects, without a word."""

    def interrupted(_: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("daemon.cli.main.invoke", interrupted)
    with pytest.raises(SystemExit) as ended:
        main()

    assert 130 == ended.value.code
    assert ("", "") == tuple(capsys.readouterr())
