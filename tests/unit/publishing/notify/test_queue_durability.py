"""What waits for a receiver outlives a power cut: each write is forced to the card."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.publishing.notify.policy import Queue
from daemon.publishing.notify.queue_file import QueueFile, queue_path
from tests.parts.durability import watch

NOON = datetime(2026, 3, 3, 12, tzinfo=UTC)


def test_every_write_of_the_queue_is_forced(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The first, one in its place, and the one that empties it."""
    commits = watch(monkeypatch)
    file = QueueFile(queue_path(tmp_path / "journal.db"))
    file.write("journal-1", {"night": Queue(NOON)})
    file.write("journal-1", {"night": Queue(NOON, seq=7)})
    file.write("journal-1", {})
    file.close()

    assert ["FULL"] * 3 == commits.modes("ledgers")
    assert {("journal-notices.db", "FULL")} == {(each.file, each.mode) for each in commits.commits}
