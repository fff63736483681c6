"""The notification policy of one receiver: when it is sent what; pure.

`enqueue` takes a change of an alarm, `next_notification` says what to send now, and
`mark_delivered` records that the receiver accepted it.  Everything that waits is in the
`Queue`, so whoever stores that safely loses nothing.  Between `next_notification` and
`mark_delivered` changes may go on being enqueued.

The rules:

- High and medium priority go at once, and all that waits at that moment goes together.
- Releases, due starts and alarms of low priority that are messages of a kind go at once too, but
  not in quiet hours: then they go at their end, together.
- All else of low priority goes at set times of day, never in quiet hours.
- A release says that what kept it back has cleared, so that is not sent besides.
- A cleared alarm is sent once, to those who were sent that it was raised.
- A high alarm is repeated until a person acknowledged it.
- At most so many notifications within an hour.  Only a high alarm that was not sent within
  an hour goes over the limit.
- A queue that is full drops its oldest change that is not urgent; how many is one line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify import water_news
from daemon.publishing.notify.news import MessageKind, News, Released, place_of
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.water_news import WaterNews

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
ENDED_BY_RELEASE = (MessageKind.OFF_TARGET, MessageKind.UNDECIDED, MessageKind.SUSPENDED)
"""Kinds of alarms that a release of the same reservoir says to have cleared."""
LONGEST_QUEUE = 200
"""Most changes that wait for one receiver: our choice, more than a person reads after an outage."""


@dataclass(frozen=True, slots=True)
class NotificationPolicy:
    """What was configured.

    Attributes:
        repeat_every: A high alarm is sent again after so long.
        at_most_per_h: Notifications within an hour.
        digest_at: Times of the local day at which low priority is sent.
        quiet: From and until when low priority is not sent; equal for never.
        zone: Of the local day.
    """

    repeat_every: timedelta = timedelta(minutes=30)
    at_most_per_h: int = 12
    digest_at: tuple[time, ...] = (time(8),)
    quiet: tuple[time, time] = (time(22), time(7))
    zone: tzinfo = UTC

    def is_quiet(self, now: datetime) -> bool:
        """Return whether the local clock shows a quiet hour."""
        begin, end = self.quiet
        local = now.astimezone(self.zone).time()
        return begin <= local < end if begin <= end else local >= begin or local < end

    def without_quiet_hours(self) -> NotificationPolicy:
        """Return the same for a receiver that is sent at any hour."""
        return replace(self, quiet=(self.quiet[0], self.quiet[0]))

    def last_digest(self, now: datetime) -> datetime:
        """Return the latest moment, up to now, at which low priority was to be sent."""
        today = now.astimezone(self.zone).date()
        moments = [
            datetime.combine(day, at, self.zone).astimezone(UTC)
            for day in (today - DAY, today)
            for at in self.digest_at
        ]
        return max(each for each in moments if each <= now)


class NotificationKind(StrEnum):
    """Why a notification is sent."""

    CHANGE = "change"
    REPEAT = "repeat"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True)
class QueuedChange:
    """A change that waits for a receiver.

    Attributes:
        notice: That an alarm was raised, or cleared.
        queued_at: When it was enqueued; not before `notice.at` unless a clock was wrong.
        later: What became of a raised alarm before it could be sent.
    """

    notice: AlarmNotice
    queued_at: datetime
    later: AlarmNotice | None = None

    @property
    def low(self) -> bool:
        """Whether it can wait for the digest."""
        return self.notice.priority is Priority.LOW and not self.gentle

    @property
    def gentle(self) -> bool:
        """Whether it can wait for the end of quiet hours, but for nothing else."""
        of_a_kind = self.notice.kind is not None and self.notice.state is NoticeState.ACTIVE
        return of_a_kind and self.notice.priority is Priority.LOW

    @property
    def cleared(self) -> bool:
        """Whether it says that an alarm has cleared."""
        return (self.later or self.notice).state is NoticeState.CLEARED

    @property
    def urgent(self) -> bool:
        """Whether a person must act at once."""
        raised = self.notice.state is NoticeState.ACTIVE
        return raised and self.notice.priority is Priority.HIGH and self.later is None


@dataclass(slots=True)
class ActiveAlarm:
    """An alarm that was raised and has not cleared.

    Attributes:
        notice: That it was raised.
        sent_at: When that was last sent; None while it was not.
        repeats: Whether it is sent again and again.
    """

    notice: AlarmNotice
    sent_at: datetime | None = None
    repeats: bool = False


@dataclass(slots=True)
class Queue:
    """Everything to be known of one receiver; plain data.

    Attributes:
        began_at: When it was begun; what had cleared by then is not sent.
        seq: Of the last event enqueued.
        changes: What is to be sent, in order.
        active: Alarms that have not cleared, by key.
        sent_at: When notifications went, within the last hour.
        urgent_sent_at: When each high alarm was last sent, by key, within the last hour.
        dropped: Changes that found no room since the last notification.
        news: Releases and due starts.
    """

    began_at: datetime
    seq: int = 0
    changes: list[QueuedChange] = field(default_factory=list)
    active: dict[str, ActiveAlarm] = field(default_factory=dict)
    sent_at: list[datetime] = field(default_factory=list)
    urgent_sent_at: dict[str, datetime] = field(default_factory=dict)
    dropped: int = 0
    news: WaterNews = field(default_factory=WaterNews)


@dataclass(frozen=True, slots=True)
class Notification:
    """What is to be sent now.

    Attributes:
        kind: Why.
        changes: Of alarms, the most pressing first.
        dropped: Changes that found no room and are only counted.
        over_limit: Whether it goes over the limit of the hour.
        news: Releases and due starts.
        implied: Changes that are sent with it, but that the news says already.
    """

    kind: NotificationKind
    changes: tuple[QueuedChange, ...]
    dropped: int = 0
    over_limit: bool = False
    news: tuple[News, ...] = ()
    implied: tuple[QueuedChange, ...] = ()

    @property
    def items(self) -> tuple[QueuedChange | News, ...]:
        """All that it says, the most pressing first: what is wrong, then news, then the rest."""
        wrong = [
            each
            for each in self.changes
            if not each.cleared and each.notice.priority is not Priority.LOW
        ]
        return (*wrong, *self.news, *(each for each in self.changes if each not in wrong))


def enqueue(queue: Queue, notice: AlarmNotice, now: datetime) -> None:
    """Take a change of an alarm; one that was enqueued already is passed over."""
    if notice.seq <= queue.seq:
        return
    queue.seq = notice.seq
    known = queue.active.get(notice.key)
    if notice.state is NoticeState.ACTIVE:
        notice = _with_water(queue, notice)
        water_news.contradict(queue.news, notice)
        queue.active[notice.key] = ActiveAlarm(notice, repeats=notice.priority is Priority.HIGH)
        _append(queue, QueuedChange(notice, now))
        return
    if known is None:
        return
    known.repeats = False
    waiting = _place_of(queue, known.notice.seq)
    if waiting is not None and notice.at < queue.began_at:
        del queue.changes[waiting]
    elif waiting is not None:
        queue.changes[waiting] = replace(queue.changes[waiting], later=notice)
    elif notice.state is NoticeState.CLEARED and known.sent_at is not None:
        _append(queue, QueuedChange(replace(notice, priority=known.notice.priority), now))
    if notice.state is NoticeState.CLEARED:
        del queue.active[notice.key]


def next_notification(
    queue: Queue, policy: NotificationPolicy, now: datetime
) -> Notification | None:
    """Return what is to be sent now, if anything; a second call gives the same."""
    _expire(queue, now)
    prompt = [each for each in queue.changes if not each.low]
    if len(queue.sent_at) >= policy.at_most_per_h:
        urgent = [
            each for each in prompt if each.urgent and each.notice.key not in queue.urgent_sent_at
        ]
        if not urgent:
            return None
        return Notification(NotificationKind.CHANGE, tuple(urgent), over_limit=True)
    quiet = policy.is_quiet(now)
    if quiet:
        prompt = [each for each in prompt if not each.gentle]
    news = water_news.waiting(queue.news, now, quiet=quiet)
    if prompt or news:
        return _of_changes([*prompt, *_digest(queue, policy, now)], news, queue.dropped)
    if digest := _digest(queue, policy, now):
        digest.sort(key=_rank)
        return Notification(NotificationKind.DIGEST, tuple(digest), queue.dropped)
    repeats = _repeats(queue, policy, now)
    return Notification(NotificationKind.REPEAT, tuple(repeats)) if repeats else None


def mark_delivered(queue: Queue, notification: Notification, now: datetime) -> None:
    """Record that the receiver accepted a notification."""
    queue.sent_at.append(now)
    queue.dropped -= notification.dropped
    for news in notification.news:
        water_news.mark_sent(queue.news, news, now)
    for change in (*notification.changes, *notification.implied):
        if change.notice.state is NoticeState.ACTIVE:
            _mark_sent(queue, change.notice, now)
        if notification.kind is not NotificationKind.REPEAT:
            _remove(queue, change)


def rewind(queue: Queue, last_seq: int) -> None:
    """Go on from the end of a journal that ends before what was enqueued, or is a new one."""
    queue.seq = min(queue.seq, last_seq)
    for key, known in list(queue.active.items()):
        if known.notice.seq > last_seq:
            del queue.active[key]
    water_news.rewind(queue.news, last_seq)


def keep_reservoirs(queue: Queue, reservoirs: Sequence[str]) -> None:
    """Drop what is active in reservoirs that are no longer there: it would never clear."""
    for key, known in list(queue.active.items()):
        if known.notice.reservoir and known.notice.reservoir not in reservoirs:
            del queue.active[key]
    water_news.keep_reservoirs(queue.news, reservoirs)


def _of_changes(
    changes: Sequence[QueuedChange], news: tuple[News, ...], dropped: int
) -> Notification:
    released = {place_of(each) for each in news if isinstance(each, Released)}
    implied = [
        each
        for each in changes
        if each.cleared
        and each.notice.kind in ENDED_BY_RELEASE
        and each.notice.reservoir in released
    ]
    said = sorted((each for each in changes if each not in implied), key=_rank)
    return Notification(
        NotificationKind.CHANGE, tuple(said), dropped, news=news, implied=tuple(implied)
    )


def _with_water(queue: Queue, notice: AlarmNotice) -> AlarmNotice:
    """Return the notice with the last change of the water that it is about."""
    known = queue.news.waters.get(notice.reservoir)
    if notice.kind is None or known is None:
        return notice
    return replace(notice, water=known.change)


def _append(queue: Queue, change: QueuedChange) -> None:
    queue.changes.append(change)
    while len(queue.changes) > LONGEST_QUEUE:
        first = next((each for each in queue.changes if not each.urgent), queue.changes[0])
        queue.changes.remove(first)
        queue.dropped += 1
        known = queue.active.get(first.notice.key)
        if known is not None and known.notice.seq == first.notice.seq:
            known.sent_at = known.sent_at or first.queued_at


def _place_of(queue: Queue, seq: int) -> int | None:
    places = (place for place, each in enumerate(queue.changes) if each.notice.seq == seq)
    return next(places, None)


def _mark_sent(queue: Queue, notice: AlarmNotice, now: datetime) -> None:
    if notice.priority is Priority.HIGH:
        queue.urgent_sent_at[notice.key] = now
    known = queue.active.get(notice.key)
    if known is not None and known.notice.seq == notice.seq:
        known.sent_at = now


def _remove(queue: Queue, change: QueuedChange) -> None:
    place = _place_of(queue, change.notice.seq)
    if place is None:
        return
    later = queue.changes.pop(place).later
    if later is not None and change.later != later and later.state is NoticeState.CLEARED:
        # It cleared while the notification that it was raised was on its way.
        cleared = replace(later, priority=change.notice.priority)
        queue.changes.insert(place, QueuedChange(cleared, change.queued_at))


def _rank(change: QueuedChange) -> tuple[bool, int, int]:
    priority = list(Priority).index(change.notice.priority)
    return not change.urgent, priority, change.notice.seq


def _digest(queue: Queue, policy: NotificationPolicy, now: datetime) -> list[QueuedChange]:
    """Return every change of low priority, once the digest of the first of them is due."""
    low = [each for each in queue.changes if each.low]
    if not low or policy.is_quiet(now):
        return []
    last = policy.last_digest(now)
    return low if any(min(each.notice.at, each.queued_at) <= last for each in low) else []


def _repeats(queue: Queue, policy: NotificationPolicy, now: datetime) -> list[QueuedChange]:
    """Return every alarm that is repeated, once the first of them is due."""
    active = [each for each in queue.active.values() if each.repeats and each.sent_at is not None]
    due = any(each.sent_at and now - each.sent_at >= policy.repeat_every for each in active)
    return [QueuedChange(each.notice, now) for each in active] if due else []


def _expire(queue: Queue, now: datetime) -> None:
    """Drop what is longer ago than an hour; a clock set back makes nothing wait for it."""
    queue.sent_at = [min(at, now) for at in queue.sent_at if now - at < HOUR]
    queue.urgent_sent_at = {
        key: min(at, now) for key, at in queue.urgent_sent_at.items() if now - at < HOUR
    }
    for known in queue.active.values():
        known.sent_at = known.sent_at and min(known.sent_at, now)
    queue.changes = [
        replace(each, queued_at=now) if each.queued_at > now else each for each in queue.changes
    ]
