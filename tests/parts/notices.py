"""Parts of the tests of notifications: notices, and a receiver that accepts every one."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import (
    Notification,
    NotificationPolicy,
    Queue,
    enqueue,
    mark_delivered,
    next_notification,
)

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
HIGH, MEDIUM, LOW = Priority.HIGH, Priority.MEDIUM, Priority.LOW
ACTIVE, ACKNOWLEDGED = NoticeState.ACTIVE, NoticeState.ACKNOWLEDGED
CLEARED, SUPPRESSED = NoticeState.CLEARED, NoticeState.SUPPRESSED


@dataclass
class Recipient:
    """A person who gets notifications, minute by minute.

    Attributes:
        policy: When what is sent.
        now: Wall time, UTC.
        reachable: Whether notifications are accepted.
        received: Notifications, with the time.
    """

    policy: NotificationPolicy = field(default_factory=NotificationPolicy)
    now: datetime = NOON
    reachable: bool = True
    received: list[tuple[datetime, Notification]] = field(default_factory=list)
    seq: int = 0
    queue: Queue = field(default_factory=lambda: Queue(NOON))

    def change(
        self,
        name: str,
        state: NoticeState = ACTIVE,
        priority: Priority = HIGH,
        reservoir: str = "mix-1",
    ) -> AlarmNotice:
        """Have an alarm change now."""
        self.seq += 1
        notice = AlarmNotice(self.seq, reservoir, name, priority, state, self.now)
        enqueue(self.queue, notice, self.now)
        self.send()
        return notice

    def send(self) -> None:
        """Send all that is due now."""
        while self.reachable and (message := next_notification(self.queue, self.policy, self.now)):
            mark_delivered(self.queue, message, self.now)
            self.received.append((self.now, message))

    def wait(self, minutes: float, step: float = 1) -> None:
        """Let minutes go by, looking once in each `step` of them."""
        until = self.now + timedelta(minutes=minutes)
        while self.now < until:
            self.now = min(self.now + timedelta(minutes=step), until)
            self.send()

    @property
    def summaries(self) -> list[str]:
        """Each notification in short: its kind, names and states."""
        return [
            f"{message.kind}: "
            + ", ".join(
                f"{item.notice.name} {(item.later or item.notice).state}"
                for item in message.changes
            )
            for _, message in self.received
        ]
