"""An inbox for tests, made as measuring makes it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from daemon.entries import Instant
from daemon.journal.inbox_owner import OwnInbox

NOW = Instant(datetime(2026, 3, 2, 8, 0, tzinfo=UTC), 0.0, "boot")


def made(journal: Path) -> OwnInbox:
    """The inbox of a journal, which need not be there."""
    journal.parent.mkdir(parents=True, exist_ok=True)
    inbox = OwnInbox(journal)
    inbox.establish(0, NOW)
    return inbox
