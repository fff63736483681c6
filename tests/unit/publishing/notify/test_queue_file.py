"""The file of what waits for receivers: what is kept, and what earlier versions kept."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from daemon.mixing.alarm.former_names import PRESENT_NAMES
from daemon.publishing.notify.notice import Notice, Standing
from daemon.publishing.notify.policy import Ledger, take
from daemon.publishing.notify.queue_file import NoticesFile
from tests.parts.notices import HIGH, NOON, OVER, RAISED


def notice(name: str, seq: int, standing: Standing = RAISED) -> Notice:
    """A change of an alarm of high priority in the first reservoir."""
    return Notice(seq, "mix-1", name, HIGH, standing, NOON)


def a_ledger() -> Ledger:
    """One in which everything waits that can."""
    ledger = Ledger(NOON)
    take(ledger, notice("reading-overdue", 1), NOON)
    take(ledger, notice("salt-unaccounted", 2), NOON)
    take(ledger, notice("salt-unaccounted", 3, OVER), NOON)
    ledger.urgent_told = {"mix-1 reading-overdue": NOON + timedelta(minutes=1)}
    ledger.counted = {"measuring-restarted": 4}
    return ledger


def test_what_is_kept_comes_back_as_it_was(tmp_path: Path) -> None:
    """After the file was closed and opened again."""
    file = NoticesFile(tmp_path / "notices.db")
    file.write("journal-1", {"receiver-1": a_ledger()})
    file.close()
    again = NoticesFile(tmp_path / "notices.db")

    assert ("journal-1", {"receiver-1": a_ledger()}) == again.read()
    again.close()


def test_what_was_kept_under_former_names_of_alarms_comes_back_under_the_present_ones(
    tmp_path: Path,
) -> None:
    """So that the end of an alarm finds its beginning, and nothing is repeated for ever."""
    path = tmp_path / "notices.db"
    file = NoticesFile(path)
    file.write("journal-1", {"receiver-1": a_ledger()})
    file.close()
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        (text,) = db.execute("SELECT ledger FROM ledgers").fetchone()
        for former, present in PRESENT_NAMES.items():
            text = text.replace(present, former)
        db.execute("UPDATE ledgers SET ledger = ?", (text,))
    again = NoticesFile(path)
    found = again.read()
    again.close()

    assert "mix-1 reading-stale" in text
    assert ("journal-1", {"receiver-1": a_ledger()}) == found
