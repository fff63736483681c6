"""A journal of the last version that had no typed events: every event is known, and none changed.

It was written by commit c979e25: a calibration, a batch with notes, alarms that were acknowledged
and shelved, and commands taken and rejected.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import logging
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Kind, Phase
from daemon.journal.calibration_records import calibrations
from daemon.journal.payloads import event_payload
from daemon.journal.reader import Reader
from daemon.journal.station_restore import restore_station
from daemon.mixing.batch.batch_record import records
from daemon.mixing.events import OtherEvent
from daemon.mixing.station.station_state import ReservoirSettings
from tests.old_journals.contents import lines
from tests.parts.schemas import misfits
from tests.parts.weights import weights

HERE = Path(__file__).parents[2] / "old_journals"
WAS: dict[str, Any] = json.loads((HERE / "before-typed-events.json").read_text())


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    """A reader of that journal."""
    sql = gzip.decompress((HERE / "before-typed-events.sql.gz").read_bytes()).decode()
    with closing(sqlite3.connect(tmp_path / "journal.db", isolation_level=None)) as db:
        db.executescript(sql)
    return Reader(tmp_path / "journal.db")


def test_every_entry_says_what_it_said(reader: Reader) -> None:
    """Word for word what that version's own reader said of each."""
    said = lines(reader.after(0, 1_000_000), WAS["fields"])

    assert WAS["entries"] == len(said)
    assert WAS["sha256"] == hashlib.sha256("\n".join(said).encode()).hexdigest()


def test_every_event_has_a_shape_of_today(reader: Reader) -> None:
    """None is left as facts that nobody knows, and each fits the published schema."""
    events = [each for _, each in reader.events()]

    assert WAS["kinds"] == {
        str(kind): sum(each.kind is kind for each in events)
        for kind in sorted(Kind)
        if any(each.kind is kind for each in events)
    }
    assert [] == [each for each in events if isinstance(each.body, OtherEvent)]
    assert [] == [why for each in events for why in misfits("event", event_payload(each))]


def test_the_batch_the_calibration_and_the_station_go_on(reader: Reader, tmp_path: Path) -> None:
    """The record of the batch, the calibration in force, and what is released."""
    (record,) = records(event for _, event in reader.events())
    station = restore_station(
        tmp_path / "journal.db",
        {"mix-1": ReservoirSettings("mix-1")},
        weights(),
        logging.getLogger("test"),
    )

    assert ("mix-1-20260302-1", "ready") == (record.id, record.phase)
    assert 34.0 == pytest.approx(record.salinity, abs=0.02)
    assert ["mix-1-ct-1-20260302-1"] == [each.id for _, each in calibrations(reader)]
    assert Phase.READY is station.state.reservoirs["mix-1"].batch.phase
    assert 20_000.0 == station.state.lots["blue"].left_g
    snapshots = reader.snapshots()
    assert ("mix-1-20260302-1", "ready") == (
        snapshots["mix-1"].batch,
        str(snapshots["mix-1"].phase),
    )
