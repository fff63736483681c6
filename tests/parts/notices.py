"""Parts of the tests of notifications: notices, and a receiver that accepts every one."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import Phase
from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.news import DueStart, Released, WaterChange, Withdrawn
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import (
    Notification,
    NotificationPolicy,
    Queue,
    mark_delivered,
    next_notification,
)
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.notify.relevance import Relevant, take

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
        receiver: What the line of the recipient selects; everything by default.
    """

    policy: NotificationPolicy = field(default_factory=NotificationPolicy)
    now: datetime = NOON
    reachable: bool = True
    received: list[tuple[datetime, Notification]] = field(default_factory=list)
    seq: int = 0
    queue: Queue = field(default_factory=lambda: Queue(NOON))
    receiver: Receiver = field(default_factory=lambda: Receiver(Path("receivers"), 1, "test://1"))

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
        self._take(notice)
        return notice

    def water(
        self, phase: Phase, batch: str = "lot-1", use_within_h: float = 24.0, why: str = ""
    ) -> WaterChange:
        """Have the water of mix-1 go to a phase now."""
        self.seq += 1
        judged = phase in (Phase.READY, Phase.OFF_TARGET)
        change = WaterChange(
            self.seq,
            "mix-1",
            batch,
            phase,
            self.now,
            why=why,
            salinity=34.02 if judged else None,
            salinity_u=0.07 if judged else None,
            use_by=self.now + timedelta(hours=use_within_h) if phase is Phase.READY else None,
        )
        self._take(change)
        return change

    def due(self, start_in_min: float = 60.0, due_in_min: float = 105.0) -> DueStart:
        """Have a batch of mix-1 be due to be begun."""
        self.seq += 1
        start_by = self.now + timedelta(minutes=start_in_min)
        due_at = self.now + timedelta(minutes=due_in_min)
        start = DueStart(self.seq, "mix-1", self.now, start_by, due_at, volume_l=60.0)
        self._take(start)
        return start

    def _take(self, event: Relevant) -> None:
        take(self.queue, self.receiver, event, self.now)
        self.send()

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

    @property
    def news(self) -> list[str]:
        """Every message of a release or a due start, with the time of day."""
        words = {Released: "released", Withdrawn: "withdrawn", DueStart: "due"}
        return [
            f"{words[type(item)]} {at:%H:%M}"
            for at, message in self.received
            for item in message.news
        ]
