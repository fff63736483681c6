"""The file of what waits for receivers: what is stored, and what an early version stored."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

from daemon.entries import Phase
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import Queue, enqueue
from daemon.publishing.notify.queue_file import QueueFile
from tests.parts.notices import (
    ACKNOWLEDGED,
    ACTIVE,
    CLEARED,
    HIGH,
    NOON,
    SUPPRESSED,
    Recipient,
)

AT = "2026-03-03T12:00:00Z"


def notice(
    name: str, seq: int, state: NoticeState = ACTIVE, reservoir: str = "mix-1", who: str = ""
) -> AlarmNotice:
    """A change of an alarm of high priority."""
    return AlarmNotice(seq, reservoir, name, HIGH, state, NOON, who=who)


def a_queue() -> Queue:
    """One in which everything waits that can."""
    queue = Queue(NOON)
    enqueue(queue, notice("reading-overdue", 1), NOON)
    enqueue(queue, notice("salt-unaccounted", 2), NOON)
    enqueue(queue, notice("salt-unaccounted", 3, CLEARED), NOON)
    enqueue(queue, notice("measuring-restarted", 4, reservoir=""), NOON)
    enqueue(queue, notice("measuring-restarted", 5, SUPPRESSED, reservoir=""), NOON)
    enqueue(queue, notice("probe-fault", 6), NOON)
    enqueue(queue, notice("probe-fault", 7, ACKNOWLEDGED, who="kim"), NOON)
    del queue.changes[0]
    queue.active["mix-1 reading-overdue"].sent_at = NOON
    queue.sent_at = [NOON]
    queue.urgent_sent_at = {"mix-1 reading-overdue": NOON + timedelta(minutes=1)}
    queue.dropped = 6
    return queue


def early(
    name: str, seq: int, standing: str = "raised", reservoir: str = "mix-1"
) -> dict[str, Any]:
    """A notice as an early version stored it."""
    return {
        "seq": seq,
        "reservoir": reservoir,
        "name": name,
        "priority": "high",
        "standing": standing,
        "at": AT,
        "synced": True,
        "why": "",
        "who": "",
    }


EARLY: dict[str, Any] = {
    "born": AT,
    "seq": 7,
    "waiting": [
        {
            "notice": early("short-yield", 2),
            "heard": AT,
            "then": early("short-yield", 3, "over"),
        },
        {
            "notice": early("daemon-restarted", 4, reservoir=""),
            "heard": AT,
            "then": early("daemon-restarted", 5, "set aside", reservoir=""),
        },
        {
            "notice": early("probe-fault", 6),
            "heard": AT,
            "then": early("probe-fault", 7, "acknowledged") | {"who": "kim"},
        },
    ],
    "open": {
        "mix-1 reading-stale": {"notice": early("reading-stale", 1), "told": AT, "repeats": True},
        "daemon-restarted": {
            "notice": early("daemon-restarted", 4, reservoir=""),
            "told": None,
            "repeats": False,
        },
        "mix-1 probe-fault": {"notice": early("probe-fault", 6), "told": None, "repeats": False},
    },
    "sent": [AT],
    "urgent_told": {"mix-1 reading-stale": "2026-03-03T12:01:00Z"},
    "counted": {"daemon-restarted": 4, "mix-1 probe-fault": 2},
}
"""The same queue in the words of the first version, whose own program wrote this form."""


def former_notice(name: str, seq: int, state: str, **facts: str) -> dict[str, Any]:
    """A notice as the version before this one stored it."""
    return {
        "seq": seq,
        "reservoir": "mix-1",
        "name": name,
        "priority": "high",
        "state": state,
        "at": AT,
        "synced": True,
        "why": "",
        "who": "",
    } | facts


FORMER: dict[str, Any] = {
    "began_at": AT,
    "seq": 7,
    "changes": [
        {
            "notice": former_notice("salt-unaccounted", 2, "active"),
            "queued_at": AT,
            "later": former_notice("salt-unaccounted", 3, "cleared"),
        },
        {
            "notice": former_notice("measuring-restarted", 4, "active", reservoir=""),
            "queued_at": AT,
            "later": former_notice("measuring-restarted", 5, str(SUPPRESSED), reservoir=""),
        },
        {
            "notice": former_notice("probe-fault", 6, "active"),
            "queued_at": AT,
            "later": former_notice("probe-fault", 7, "acknowledged", who="kim"),
        },
    ],
    "active": {
        "mix-1 reading-overdue": {
            "notice": former_notice("reading-overdue", 1, "active"),
            "sent_at": AT,
            "repeats": True,
        },
        "measuring-restarted": {
            "notice": former_notice("measuring-restarted", 4, "active", reservoir=""),
            "sent_at": None,
            "repeats": False,
        },
        "mix-1 probe-fault": {
            "notice": former_notice("probe-fault", 6, "active"),
            "sent_at": None,
            "repeats": False,
        },
    },
    "sent_at": [AT],
    "urgent_sent_at": {"mix-1 reading-overdue": "2026-03-03T12:01:00Z"},
    "dropped": 6,
}
"""The same queue as the version before this one stored it, of alarms alone."""


def stored(path: Path, text: str | None = None) -> tuple[str, dict[str, Queue]]:
    """What comes back of a queue that was stored, or of this text in its place."""
    file = QueueFile(path)
    file.write("journal-1", {"receiver-1": a_queue()})
    file.close()
    if text is not None:
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("UPDATE ledgers SET ledger = ?", (text,))
    again = QueueFile(path)
    found = again.read()
    again.close()
    return found


def test_what_is_stored_comes_back_as_it_was(tmp_path: Path) -> None:
    """After the file was closed and opened again."""
    assert ("journal-1", {"receiver-1": a_queue()}) == stored(tmp_path / "notices.db")


def test_what_an_early_version_stored_goes_on_in_the_present_words(tmp_path: Path) -> None:
    """So that the clearing of an alarm finds its raising, and nothing is repeated for ever."""
    found = stored(tmp_path / "notices.db", json.dumps(EARLY))

    assert ("journal-1", {"receiver-1": a_queue()}) == found


def test_what_the_version_before_stored_goes_on(tmp_path: Path) -> None:
    """It knew of alarms alone, so nothing is known of any water yet."""
    found = stored(tmp_path / "notices.db", json.dumps(FORMER))

    assert ("journal-1", {"receiver-1": a_queue()}) == found


def test_releases_and_due_starts_come_back_as_they_were(tmp_path: Path) -> None:
    """Sent and unsent, withdrawn and not, and the water that an alarm carries."""
    recipient = Recipient()
    recipient.water(Phase.READY)
    recipient.reachable = False
    recipient.water(Phase.VERIFYING)
    recipient.change("batch-undecided")
    recipient.due()
    recipient.change("salinity-drifting")
    file = QueueFile(tmp_path / "notices.db")
    file.write("journal-1", {"receiver-1": recipient.queue})
    file.close()
    again = QueueFile(tmp_path / "notices.db")
    _, queues = again.read()
    again.close()

    assert {"receiver-1": recipient.queue} == queues
    assert recipient.queue.changes[0].notice.water is not None
