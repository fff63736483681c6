"""Which events of a journal can be trusted: a calibration only where its record is one."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from calibration.serialisation import to_json
from daemon.entries import JSON, Kind
from daemon.journal.recovery.integrity_check import check_integrity, sound_event
from daemon.journal.schema import MIGRATIONS
from tests.parts.events import event
from tests.unit.calibration.test_history import made

RECORD: dict[str, JSON] = json.loads(to_json(made(3)))


@pytest.mark.parametrize(
    "record, sound",
    [
        (RECORD, True),
        ({**RECORD, "calibration": {}}, False),
        ({**RECORD, "kind": "no such kind"}, False),
        ({key: value for key, value in RECORD.items() if key != "verdict"}, False),
        ({}, False),
    ],
)
def test_a_calibration_is_trusted_only_where_its_record_is_whole(
    record: dict[str, JSON],
    sound: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """Also one of a version that kept no check beside its rows."""
    said = event(Kind.CALIBRATION, {"id": "cal-3", "record": record})

    assert sound == sound_event(said)


def test_what_is_no_event_is_not_trusted_and_any_other_one_is() -> None:
    """Its check is the row's."""
    assert not sound_event(None)
    assert sound_event(event(Kind.PHASE, {"from": "blank", "to": "dissolving"}))


@pytest.mark.parametrize(
    "before, after, ours",
    [
        ("(", "( ", True),
        (" INTEGER", "  INTEGER", True),
        (" INTEGER", " REAL", False),
    ],
)
def test_tables_are_ours_however_sqlite_writes_them_down(
    tmp_path: Path,
    before: str,
    after: str,
    ours: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """Its versions keep blanks and quotes in different ways; another type is another table."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for step in MIGRATIONS[:1]:
            db.executescript(step.replace(before, after))
        db.execute("PRAGMA user_version = 1")

    assert ours == ("" == check_integrity(path).why)
