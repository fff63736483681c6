"""The curve of a batch whose readings have become minute summaries."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from daemon.entries import Event, Kind
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.writer import Writer
from daemon.mixing.batch.record import records
from daemon.reports.salinity_curve import curve_of
from tests.unit.journal.test_journal import START, reading


def test_an_old_batch_is_drawn_from_its_minutes(tmp_path: Path) -> None:
    """What has become summaries is drawn by the minute, what has not as it was."""
    at = reading(0).at
    began = Event("mix-1", at, "mix-1-7", Kind.BATCH, {"what": "began"})
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([began, *(reading(n) for n in range(240))], 0.0)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (181, 1000)).fetchall()))
    reader = Reader(tmp_path / "journal.db")
    (record,) = records(each for _, each in reader.events())

    found = curve_of(reader, record)

    seconds = [(wall - START) / timedelta(seconds=1) for wall, _, _ in found]
    assert [30.0, 90.0, 150.0, *range(180, 240)] == seconds
    assert {33.9} == {round(salinity, 9) for _, salinity, _ in found}
    assert {0.05} == {round(u or 0.0, 9) for _, _, u in found}
