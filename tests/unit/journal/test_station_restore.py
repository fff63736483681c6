"""The station as the journal left it."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from daemon.entries import Phase
from daemon.journal.checkpoint import dump
from daemon.journal.station_restore import restore_station
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.stories import BATCH, a_station, mixed
from tests.parts.weights import other_weights, weights

LOG = logging.getLogger("test")
SETTINGS = {"mix-1": ReservoirSettings("mix-1", BATCH)}


@pytest.fixture
def left(tmp_path: Path) -> tuple[Path, Station]:
    """A journal with the state of a station whose batch is ready, and that station."""
    station, path = a_station(), tmp_path / "journal.db"
    entries = mixed().play(station)
    with Writer(path) as writer:
        writer.append(entries, 0.0, checkpoint=dump(station.state))
    return path, station


def test_a_station_goes_on_as_it_was(left: tuple[Path, Station]) -> None:
    """With the same weights nothing of its state is lost, the detector's included."""
    path, station = left

    assert station.state == restore_station(path, SETTINGS, weights(), LOG).state


def test_what_other_weights_remembered_is_not_read_with_these(
    left: tuple[Path, Station], caplog: pytest.LogCaptureFixture
) -> None:
    """A version that was trained again begins its detectors again, and keeps the batches."""
    path, station = left

    state = restore_station(path, SETTINGS, other_weights(), LOG).state

    reservoir = state.reservoirs["mix-1"]
    assert Phase.READY is reservoir.batch.phase
    assert station.state.reservoirs["mix-1"].batch == reservoir.batch
    assert [] == reservoir.stability.cells.index
    assert other_weights().mark == state.weights
    assert ["batches are restored, detectors begin again"] == [
        each.getMessage().rpartition("; ")[2] for each in caplog.records
    ]
