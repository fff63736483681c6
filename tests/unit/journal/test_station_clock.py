"""The clock of a rehearsal goes by the journal that its processes share."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.clock import RehearsalClock, SystemClock
from daemon.config import Config, parse
from daemon.entries import Event
from daemon.journal.station_clock import station_clock
from daemon.journal.writer import Writer
from daemon.mixing.service_events import MeasuringBegan
from tests.parts.configurations import configuration

SINCE = "2024-05-17T06:30:00Z"


@pytest.fixture
def rehearsal(tmp_path: Path) -> Config:
    """A configuration of a rehearsal on a date of the past."""
    text = configuration().replace(
        "[station]\n", f"[station]\nrehearsal_speed = 60\nrehearsal_since = {SINCE}\n", 1
    )
    return parse(text + '\n[journal]\npath = "journal.db"\n', tmp_path / "brinewright.toml")


def test_a_rehearsal_without_a_journal_begins_on_its_date(rehearsal: Config) -> None:
    """Whoever asks first."""
    gone = station_clock(rehearsal).now().wall - datetime.fromisoformat(SINCE)

    assert timedelta(0) <= gone < timedelta(minutes=30)


def test_a_second_process_has_the_time_of_the_first(rehearsal: Config) -> None:
    """As the first wrote it into the journal."""
    at = RehearsalClock(60.0, datetime.fromisoformat(SINCE)).now()
    ahead = replace(at, wall=at.wall + timedelta(hours=7))
    with Writer(rehearsal.journal.path) as writer:
        writer.append([Event("", ahead, "", MeasuringBegan("1"))], 0.0)
    found = station_clock(rehearsal).now()

    assert ahead.boot == found.boot
    assert timedelta(seconds=found.mono_s - ahead.mono_s) == found.wall - ahead.wall


def test_a_station_in_service_has_the_clock_of_the_machine(tmp_path: Path) -> None:
    """Whatever its journal says."""
    config = parse(configuration(), tmp_path / "brinewright.toml")

    assert isinstance(station_clock(config), SystemClock)
    assert abs(station_clock(config).now().wall - datetime.now(UTC)) < timedelta(seconds=5)
