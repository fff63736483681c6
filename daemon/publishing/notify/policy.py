"""When whom to tell of an alarm: the rules for one receiver, pure.

`take` hears of a change, `due` says what to send now, and `sent` notes that it
was taken.  Everything that waits is in the `Ledger`, so whoever keeps that safe
loses nothing.  Between `due` and `sent` changes may go on being taken.

The rules: high and medium at once; low all together at set times of day, never
in quiet hours; what is over is told once, to those who were told that it began;
high again until somebody acknowledged it.  At most so many messages within an
hour: the last one that is free, and any that comes when more wait than a person
reads one by one, tells all that waits.  Only what is of high priority and was not
told of within an hour goes over the limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import Notice, Standing

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
AT_ONCE = 3
"""More than so many waiting changes are told in one message."""
WAITING_AT_MOST = 200
"""What is more than that is counted by alarm and told as a number."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What was configured.

    Attributes:
        repeat_every: High ones are told again after so long.
        at_most_per_h: Messages within an hour.
        digest_at: Times of the local day at which low ones are told.
        quiet: From and until when no low ones are told; equal for never.
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

    def last_digest(self, now: datetime) -> datetime:
        """Return the latest moment, up to now, at which low ones were to be told."""
        today = now.astimezone(self.zone).date()
        moments = [
            datetime.combine(day, at, self.zone).astimezone(UTC)
            for day in (today - DAY, today)
            for at in self.digest_at
        ]
        return max(each for each in moments if each <= now)


class Reason(StrEnum):
    """Why a message is sent."""

    CHANGE = "change"
    REPEAT = "repeat"
    DIGEST = "digest"


@dataclass(frozen=True, slots=True)
class Waiting:
    """Something to be told.

    Attributes:
        notice: That an alarm was raised, or is over.
        heard: When it was taken; not before `notice.at` unless a clock was wrong.
        then: What became of a raised one before it could be told.
    """

    notice: Notice
    heard: datetime
    then: Notice | None = None

    @property
    def low(self) -> bool:
        """Whether it can wait for the digest."""
        return self.notice.priority is Priority.LOW

    @property
    def urgent(self) -> bool:
        """Whether somebody must act at once."""
        raised = self.notice.standing is Standing.RAISED
        return raised and self.notice.priority is Priority.HIGH and self.then is None


@dataclass(slots=True)
class Open:
    """A raised alarm that is not over.

    Attributes:
        notice: That it was raised.
        told: When that was last told; None while it was not.
        repeats: Whether it is told again and again.
    """

    notice: Notice
    told: datetime | None = None
    repeats: bool = False


@dataclass(slots=True)
class Ledger:
    """Everything to be known of one receiver; plain data.

    Attributes:
        born: When it was begun; what was over by then is told to nobody.
        seq: Of the last event taken.
        waiting: What is to be told, in order.
        open: Raised alarms by key.
        sent: When messages went within the last hour.
        urgent_told: When each high one was last told, by key, within the last hour.
        counted: What could not be kept waiting, by key.
    """

    born: datetime
    seq: int = 0
    waiting: list[Waiting] = field(default_factory=list)
    open: dict[str, Open] = field(default_factory=dict)
    sent: list[datetime] = field(default_factory=list)
    urgent_told: dict[str, datetime] = field(default_factory=dict)
    counted: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Message:
    """What is to be sent now.

    Attributes:
        reason: Why.
        items: What is told, the most pressing first.
        counted: Changes that are told only by number, by alarm.
        beyond: Whether it goes over the limit.
    """

    reason: Reason
    items: tuple[Waiting, ...]
    counted: tuple[tuple[str, int], ...] = ()
    beyond: bool = False


def take(ledger: Ledger, notice: Notice, now: datetime) -> None:
    """Hear of a change of an alarm; one that was heard already is passed over."""
    if notice.seq <= ledger.seq:
        return
    ledger.seq = notice.seq
    known = ledger.open.get(notice.key)
    if notice.standing is Standing.RAISED:
        ledger.open[notice.key] = Open(notice, repeats=notice.priority is Priority.HIGH)
        _wait(ledger, Waiting(notice, now))
        return
    if known is None:
        return
    known.repeats = False
    untold = _untold(ledger, known.notice.seq)
    if untold is not None and notice.at < ledger.born:
        del ledger.waiting[untold]
    elif untold is not None:
        ledger.waiting[untold] = replace(ledger.waiting[untold], then=notice)
    elif notice.standing is Standing.OVER and known.told is not None:
        _wait(ledger, Waiting(replace(notice, priority=known.notice.priority), now))
    if notice.standing is Standing.OVER:
        del ledger.open[notice.key]


def due(ledger: Ledger, rules: Rules, now: datetime) -> Message | None:
    """Return what is to be sent now, if anything; nothing is changed by asking again."""
    _settle(ledger, now)
    free = rules.at_most_per_h - len(ledger.sent)
    prompt = [each for each in ledger.waiting if not each.low]
    low = _digest(ledger, rules, now)
    if free <= 0:
        urgent = [
            each for each in prompt if each.urgent and each.notice.key not in ledger.urgent_told
        ]
        return Message(Reason.CHANGE, tuple(urgent), beyond=True) if urgent else None
    if prompt:
        crowded = free == 1 or len(prompt) > AT_ONCE or ledger.counted
        told = [*prompt, *low] if crowded else [min(prompt, key=_rank)]
        return _message(ledger, Reason.CHANGE, told)
    if low:
        return _message(ledger, Reason.DIGEST, low)
    repeats = _repeats(ledger, rules, now)
    return Message(Reason.REPEAT, tuple(repeats)) if repeats else None


def sent(ledger: Ledger, message: Message, now: datetime) -> None:
    """Note that a message was taken."""
    ledger.sent.append(now)
    for key, count in message.counted:
        left = ledger.counted.get(key, 0) - count
        ledger.counted.pop(key, None)
        if left > 0:
            ledger.counted[key] = left
    for item in message.items:
        if item.notice.standing is Standing.RAISED:
            _told(ledger, item.notice, now)
        if message.reason is not Reason.REPEAT:
            _remove(ledger, item)


def wind_back(ledger: Ledger, last_seq: int) -> None:
    """Go on from the end of a journal that ends before what was taken, or is a new one."""
    ledger.seq = min(ledger.seq, last_seq)
    for key, known in list(ledger.open.items()):
        if known.notice.seq > last_seq:
            del ledger.open[key]


def forget_all_but(ledger: Ledger, reservoirs: Sequence[str]) -> None:
    """Drop what is open in reservoirs that are no longer there: it would never be over."""
    for key, known in list(ledger.open.items()):
        if known.notice.reservoir and known.notice.reservoir not in reservoirs:
            del ledger.open[key]


def _wait(ledger: Ledger, item: Waiting) -> None:
    ledger.waiting.append(item)
    while len(ledger.waiting) > WAITING_AT_MOST:
        first = next((each for each in ledger.waiting if not each.urgent), ledger.waiting[0])
        ledger.waiting.remove(first)
        ledger.counted[first.notice.key] = ledger.counted.get(first.notice.key, 0) + 1
        known = ledger.open.get(first.notice.key)
        if known is not None and known.notice.seq == first.notice.seq:
            known.told = known.told or first.heard


def _untold(ledger: Ledger, seq: int) -> int | None:
    numbers = (i for i, each in enumerate(ledger.waiting) if each.notice.seq == seq)
    return next(numbers, None)


def _told(ledger: Ledger, notice: Notice, now: datetime) -> None:
    if notice.priority is Priority.HIGH:
        ledger.urgent_told[notice.key] = now
    known = ledger.open.get(notice.key)
    if known is not None and known.notice.seq == notice.seq:
        known.told = now


def _remove(ledger: Ledger, item: Waiting) -> None:
    place = _untold(ledger, item.notice.seq)
    if place is None:
        return
    then = ledger.waiting.pop(place).then
    if then is not None and item.then != then and then.standing is Standing.OVER:
        # It was over while the message that it had begun was on its way.
        over = Waiting(replace(then, priority=item.notice.priority), item.heard)
        ledger.waiting.insert(place, over)


def _message(ledger: Ledger, reason: Reason, items: Sequence[Waiting]) -> Message:
    return Message(reason, tuple(sorted(items, key=_rank)), tuple(ledger.counted.items()))


def _rank(item: Waiting) -> tuple[bool, int, int]:
    return not item.urgent, list(Priority).index(item.notice.priority), item.notice.seq


def _digest(ledger: Ledger, rules: Rules, now: datetime) -> list[Waiting]:
    low = [each for each in ledger.waiting if each.low]
    if not low or rules.is_quiet(now):
        return []
    last = rules.last_digest(now)
    return low if any(min(each.notice.at, each.heard) <= last for each in low) else []


def _repeats(ledger: Ledger, rules: Rules, now: datetime) -> list[Waiting]:
    """Return every alarm that is told again, once the first of them is due."""
    asked = [each for each in ledger.open.values() if each.repeats and each.told is not None]
    late = any(each.told and now - each.told >= rules.repeat_every for each in asked)
    return [Waiting(each.notice, now) for each in asked] if late else []


def _settle(ledger: Ledger, now: datetime) -> None:
    """Forget what is longer ago than an hour; a clock set back makes nothing wait for it."""
    ledger.sent = [min(at, now) for at in ledger.sent if now - at < HOUR]
    ledger.urgent_told = {
        key: min(at, now) for key, at in ledger.urgent_told.items() if now - at < HOUR
    }
    for known in ledger.open.values():
        known.told = known.told and min(known.told, now)
    ledger.waiting = [
        replace(each, heard=now) if each.heard > now else each for each in ledger.waiting
    ]
