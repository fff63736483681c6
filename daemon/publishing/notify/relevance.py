"""Which events lead to notifications, and what one means for the queue of a receiver."""

from __future__ import annotations

from datetime import datetime
from typing import TypeAlias

from daemon.entries import Kind
from daemon.journal.reader import Stored
from daemon.publishing.notify import water_news
from daemon.publishing.notify.news import DueStart, WaterChange, news_of
from daemon.publishing.notify.notice import AlarmNotice, notice_of
from daemon.publishing.notify.policy import Queue, enqueue
from daemon.publishing.notify.receivers import Receiver

RELEVANT_KINDS = (Kind.ALARM, Kind.PHASE, Kind.ADVICE)

Relevant: TypeAlias = AlarmNotice | WaterChange | DueStart


def relevant_of(stored: Stored) -> Relevant | None:
    """Return what an entry means for notifications; None for every entry that means nothing."""
    return notice_of(stored) or news_of(stored)


def take(queue: Queue, receiver: Receiver, event: Relevant, now: datetime) -> None:
    """Queue an event for a receiver, as far as it gets it; one that was queued is passed over.

    Args:
        queue: Of the receiver; changed in place.
        receiver: Who.
        event: In the order of the journal.
        now: UTC.
    """
    if event.seq <= queue.seq:
        return
    if isinstance(event, AlarmNotice):
        water_news.follow_alarm(queue.news, event)
        if receiver.accepts(event):
            enqueue(queue, event, now)
    else:
        water_news.follow(queue.news, event, receiver.kinds_of(event.reservoir))
    queue.seq = event.seq
