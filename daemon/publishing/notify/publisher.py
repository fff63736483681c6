"""Notifies people: a sink that acknowledges what it has queued for each receiver.

An event counts as delivered once it is on the card in every queue that it belongs in, so a
receiver that is down holds up neither the journal's cursor nor the others; what waits for it
goes when it is back.  A notification leaves the queue after the receiver has accepted it: a
process killed between the two sends that one notification again.  That a release is about to be
sent is stored before it is, so that it can be withdrawn also where the process was killed.

Each notification is sent in a process of its own, which may hang, and a thread waits for it: one
at a time to each receiver, and few at once.  All else happens in the sink's thread.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from random import Random

from daemon.journal.reader import Reader, Stored
from daemon.logs import Outage
from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.attempt import DeliveryAttempt
from daemon.publishing.notify.delivery import Delivery
from daemon.publishing.notify.formatter import Formatter
from daemon.publishing.notify.news import DueStart, Released, Withdrawn
from daemon.publishing.notify.policy import (
    Notification,
    NotificationKind,
    NotificationPolicy,
    Queue,
    QueuedChange,
    keep_reservoirs,
    mark_delivered,
    next_notification,
    rewind,
)
from daemon.publishing.notify.queue_file import QueueFile
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.notify.relevance import (
    RELEVANT_KINDS,
    Relevant,
    relevant_of,
    take,
)
from daemon.publishing.notify.water_news import mark_failed, mark_tried
from daemon.publishing.sink import BATCH, Backoff, SinkError

UNANSWERED_AFTER_S = 90.0
"""An attempt without an answer by then has failed, s; the libraries' own limits are shorter."""
MOST_UNANSWERED = 2
"""After so many unanswered notifications a receiver gets no further one."""
MOST_AT_ONCE = 4
"""Processes that send at the same time: each takes some 22 MB for as long as it sends."""
CLOSE_WAIT_S = 2.0

log = logging.getLogger("brinewright.publish")


@dataclass(slots=True)
class ReceiverChannel:
    """One receiver and the state of its deliveries.

    Attributes:
        receiver: Who.
        delivery: How it is reached.
        policy: When it is sent what.
        queue: What waits for it.
        backoff: How long it is left alone after a failure.
        outage: What is logged of failures.
        retry_at_s: When the next attempt may be made, monotonic s.
        attempt: The one under way.
        notification: What it sends.
        fault: Why the last one failed; empty when it was accepted.
        unanswered: Attempts that have not ended.
    """

    receiver: Receiver
    delivery: Delivery
    policy: NotificationPolicy
    backoff: Backoff
    outage: Outage
    queue: Queue
    retry_at_s: float = float("-inf")
    attempt: DeliveryAttempt | None = None
    notification: Notification | None = None
    fault: str = ""
    unanswered: list[DeliveryAttempt] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class QueueStart:
    """What the sink goes on from.

    Attributes:
        path: The queue file.
        delivered_to_seq: Gives how far the journal was delivered before, for a new receiver.
    """

    path: Path
    delivered_to_seq: Callable[[], int]


class NotifySink:
    """A sink for everybody who is notified."""

    name = "notify"

    def __init__(
        self,
        deliveries: Mapping[Receiver, Delivery],
        policy: NotificationPolicy,
        formatter: Formatter,
        reservoirs: Sequence[str],
        reader: Reader,
        start: QueueStart,
        wall: Callable[[], datetime],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Name the receivers; nothing is opened yet.

        Args:
            deliveries: How each receiver is reached.
            policy: When what is sent.
            formatter: Makes the texts.
            reservoirs: Names of all of them.
            reader: The journal.
            start: What it goes on from.
            wall: Wall time, UTC.
            clock: Monotonic seconds.
        """
        rng = Random()  # noqa: S311 - spreads retries, hides nothing
        self._channels = [
            ReceiverChannel(
                receiver,
                delivery,
                policy.without_quiet_hours() if receiver.any_hour else policy,
                Backoff(rng),
                Outage(log, f"notifying {receiver.label}"),
                Queue(wall()),
            )
            for receiver, delivery in deliveries.items()
        ]
        self._formatter, self._reservoirs = formatter, reservoirs
        self._reader, self._start = reader, start
        self._wall, self._clock = wall, clock
        self._file: QueueFile | None = None
        self._journal = ""
        self._unsaved = False

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Queue what is to be sent, and send what is due; see `Sink`.

        Raises:
            SinkError: The queues could not be written; what can be sent is sent all the same.
            JournalError: The journal cannot be read.
        """
        if self._file is None:
            self._open()
        events = [event for each in entries if (event := relevant_of(each)) is not None]
        if events or not entries:
            self._check_journal()
        for event in events:
            self._enqueue(event)
        fault = self._save()
        caught_up = len(entries) < BATCH
        for channel in self._channels:
            self._finish(channel)
            if caught_up:  # else what is read next may clear what would be sent
                self._send(channel)
        fault = self._save() or fault
        if fault is not None:
            raise fault

    def trouble(self) -> str:
        """Return which receivers are not reached, and why; see `Forwarding`."""
        return "; ".join(
            f"{channel.receiver.label} is not reached: {channel.fault}"
            for channel in self._channels
            if channel.fault
        )

    @property
    def busy(self) -> bool:
        """Whether a notification is on its way."""
        return any(channel.attempt is not None for channel in self._channels)

    def pressing(self) -> bool:
        """Return whether a receiver has answered; see `Sink`."""
        return any(
            channel.attempt is not None and channel.attempt.done for channel in self._channels
        )

    def close(self) -> None:
        """Wait a moment for what is on its way; see `Sink`."""
        until_s = self._clock() + CLOSE_WAIT_S
        for channel in self._channels:
            if channel.attempt is not None and channel.attempt.wait(
                max(0.0, until_s - self._clock())
            ):
                self._finish(channel)
        if self._file is not None:
            if (fault := self._save()) is not None:
                log.warning("%s", fault)
            self._file.close()
            self._file = None

    def _open(self) -> None:
        file = QueueFile(self._start.path)
        try:
            journal, queues = file.read()
            self._journal = self._reader.identity()
            if journal not in ("", self._journal):
                for queue in queues.values():
                    rewind(queue, 0)
            for channel in self._channels:
                channel.queue = queues.get(channel.receiver.key) or self._new_queue(
                    channel.receiver
                )
        except BaseException:
            file.close()
            raise
        for channel in self._channels:
            queues.pop(channel.receiver.key, None)
            keep_reservoirs(channel.queue, self._reservoirs)
        for left_over in queues.values():
            if left_over.changes:
                log.warning(
                    "%d changes waited for a receiver that is not configured any more: dropped",
                    len(left_over.changes),
                )
        self._file, self._unsaved = file, True

    def _new_queue(self, receiver: Receiver) -> Queue:
        """Return the queue of a new receiver, which is sent what is active and released by now."""
        now, last = self._wall(), self._start.delivered_to_seq()
        queue = Queue(now)
        for seq, event in self._reader.of_kinds(RELEVANT_KINDS) if last else []:
            relevant = relevant_of(Stored(seq, event))
            if relevant is not None and seq <= last:
                take(queue, receiver, relevant, now)
        queue.seq = last
        return queue

    def _check_journal(self) -> None:
        """Rewind where the journal is another one, or an older copy of it."""
        journal, last = self._reader.identity(), self._reader.last_seq()
        if journal != self._journal:
            self._journal, last = journal, 0
        for channel in self._channels:
            if channel.queue.seq > last:
                rewind(channel.queue, last)
                self._unsaved = True

    def _enqueue(self, event: Relevant) -> None:
        for channel in self._channels:
            take(channel.queue, channel.receiver, event, self._wall())
        self._unsaved = True

    def _save(self) -> SinkError | None:
        """Write the queues where they changed; return why that failed."""
        if self._file is None:
            return None
        try:
            self._file.check()
            if self._unsaved:
                queues = {channel.receiver.key: channel.queue for channel in self._channels}
                self._file.write(self._journal, queues)
                self._unsaved = False
        except SinkError as exc:
            return exc
        return None

    def _finish(self, channel: ReceiverChannel) -> None:
        """Take the result of the attempt under way, once there is one."""
        channel.unanswered = [each for each in channel.unanswered if not each.done]
        attempt, notification, now_s = channel.attempt, channel.notification, self._clock()
        if attempt is None or notification is None:
            return
        if attempt.done and not attempt.fault:
            mark_delivered(channel.queue, notification, self._wall())
            self._unsaved = True
            channel.fault = ""
            channel.outage.worked()
            channel.backoff.worked(now_s)
        elif attempt.done or now_s - attempt.begun_s >= UNANSWERED_AFTER_S:
            if attempt.done:
                for news in notification.news:
                    mark_failed(channel.queue.news, news)
            else:
                channel.unanswered.append(attempt)
            self._unsaved = True
            channel.fault = attempt.fault or f"no answer within {UNANSWERED_AFTER_S:g} s"
            waiting = len(channel.queue.changes)
            channel.outage.failed(f"{channel.fault}; what waits ({waiting}) goes later", now_s)
            channel.retry_at_s = now_s + channel.backoff.failed(now_s)
        else:
            return
        channel.attempt = channel.notification = None

    def _send(self, channel: ReceiverChannel) -> None:
        now_s = self._clock()
        if (
            channel.attempt is not None
            or now_s < channel.retry_at_s
            or len(channel.unanswered) >= MOST_UNANSWERED
            or sum(each.attempt is not None for each in self._channels) >= MOST_AT_ONCE
        ):
            return
        now = self._wall()
        notification = next_notification(channel.queue, channel.policy, now)
        if notification is None:
            return
        if notification.news:
            for news in notification.news:
                mark_tried(channel.queue.news, news)
            self._unsaved = True
            self._save()  # what fails is told at the end of this delivery, and sent all the same
        call = partial(
            channel.delivery.send,
            self._formatter.title(notification, now),
            self._formatter.body(notification, now),
            _notification_type(notification),
        )
        channel.notification = notification
        channel.attempt = DeliveryAttempt(call, f"notify-{channel.receiver.line}", now_s)


def _notification_type(notification: Notification) -> str:
    """Return what a receiver that has colours shows it as."""
    if notification.kind is NotificationKind.DIGEST:
        return "info"
    match notification.items[0]:
        case DueStart():
            return "info"
        case Released():
            return "success"
        case Withdrawn():
            return "warning"
        case QueuedChange() as first:
            if first.cleared:
                return "success"
            return "failure" if first.notice.priority is Priority.HIGH else "warning"
