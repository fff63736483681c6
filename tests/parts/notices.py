"""Parts of the tests of telling people: notices, and a receiver whose every message is taken."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import Notice, Standing
from daemon.publishing.notify.policy import Ledger, Message, Rules, due, sent, take

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
HIGH, MEDIUM, LOW = Priority.HIGH, Priority.MEDIUM, Priority.LOW
RAISED, ACKNOWLEDGED = Standing.RAISED, Standing.ACKNOWLEDGED
OVER, SET_ASIDE = Standing.OVER, Standing.SET_ASIDE


@dataclass
class Person:
    """Somebody who is told, minute by minute.

    Attributes:
        rules: When what is told.
        now: Wall time, UTC.
        reachable: Whether messages are taken.
        heard: What was told, with the time.
    """

    rules: Rules = field(default_factory=Rules)
    now: datetime = NOON
    reachable: bool = True
    heard: list[tuple[datetime, Message]] = field(default_factory=list)
    seq: int = 0
    ledger: Ledger = field(default_factory=lambda: Ledger(NOON))

    def change(
        self,
        name: str,
        standing: Standing = RAISED,
        priority: Priority = HIGH,
        reservoir: str = "mix-1",
    ) -> Notice:
        """Have an alarm change now."""
        self.seq += 1
        notice = Notice(self.seq, reservoir, name, priority, standing, self.now)
        take(self.ledger, notice, self.now)
        self.send()
        return notice

    def send(self) -> None:
        """Send all that is due now."""
        while self.reachable and (message := due(self.ledger, self.rules, self.now)):
            sent(self.ledger, message, self.now)
            self.heard.append((self.now, message))

    def wait(self, minutes: float, step: float = 1) -> None:
        """Let minutes go by, looking once in each `step` of them."""
        until = self.now + timedelta(minutes=minutes)
        while self.now < until:
            self.now = min(self.now + timedelta(minutes=step), until)
            self.send()

    @property
    def told(self) -> list[str]:
        """What was told, in short: reason, names and standings of each message."""
        return [
            f"{message.reason}: "
            + ", ".join(
                f"{item.notice.name} {(item.then or item.notice).standing}"
                for item in message.items
            )
            for _, message in self.heard
        ]
