"""What one receiver is to be sent of releases and due starts; pure.

All of it follows from the last events of each reservoir and from what was accepted, so a release
that was withdrawn before it could be sent is not sent, and one that comes and goes within minutes
is sent once.  The rules:

- A release is sent once for each batch.  It is another one, and sent again, after the batch was not
  released for `ANOTHER_AFTER`, or after a message that contradicted it.  While released water
  drifts, it waits.
- Whoever was sent a release, or may have been when publishing died, is sent that it was withdrawn,
  unless the water is released again within that time, an alarm of the batch has said so, or the
  batch is over.
- A due start is sent once, and not at all once a batch was begun or its due time has passed.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from daemon.entries import Phase
from daemon.publishing.notify.news import (
    ANOTHER_AFTER,
    DueStart,
    MessageKind,
    News,
    Released,
    WaterChange,
    Withdrawn,
    place_of,
)
from daemon.publishing.notify.notice import AlarmNotice, NoticeState

STARTS_KEPT = 20
"""Due starts that wait for one receiver, the last ones."""
DRIFT, START_MISSED = "salinity-drifting", "start-missed"
CONTRADICTING = ("batch-off-target", "batch-undecided", "batch-suspended", DRIFT)
"""Alarms that say of water that it is not to be used."""
OPEN_PHASES = (Phase.DISSOLVING, Phase.VERIFYING, Phase.OFF_TARGET)
"""Phases of a batch that was released and is not any more, and has not ended either."""


@dataclass(slots=True)
class Water:
    """The water of one reservoir.

    Attributes:
        change: The last change of its phase.
        release: Of its batch, where the receiver is to know of it; None where there is none.
        sent_at: When that was sent; None while it was not.
        tried: Whether it may have been sent: it was on its way, and nobody knows how that ended.
        left: The change by which it was withdrawn; None while the water is released.
        contradicted: Whether a message said since then that the water is not to be used.
        drifting: Whether the alarm of a drift is active, sent to this receiver or not.
    """

    change: WaterChange
    release: WaterChange | None = None
    sent_at: datetime | None = None
    tried: bool = False
    left: WaterChange | None = None
    contradicted: bool = False
    drifting: bool = False


@dataclass(slots=True)
class WaterNews:
    """What one receiver is to know of all waters; plain data.

    Attributes:
        waters: By reservoir.
        starts: Due starts that were not sent.
    """

    waters: dict[str, Water] = field(default_factory=dict)
    starts: list[DueStart] = field(default_factory=list)


def follow(news: WaterNews, event: WaterChange | DueStart, kinds: Collection[MessageKind]) -> None:
    """Take what happened to a water, or a due start.

    Args:
        news: Changed in place.
        event: In the order of the journal.
        kinds: Those that the receiver gets of this reservoir.
    """
    if isinstance(event, DueStart):
        if MessageKind.DUE in kinds:
            ahead = [each for each in news.starts if event.at < each.due_at]
            news.starts = [*ahead, event][-STARTS_KEPT:]
        return
    if event.phase is Phase.DISSOLVING:
        end_starts(news, event.reservoir)
    known = news.waters.get(event.reservoir)
    if known is None:
        known = news.waters[event.reservoir] = Water(event)
    if event.phase is Phase.READY:
        if not _is_same_release(known, event):
            known.release = event if MessageKind.RELEASED in kinds else None
            known.sent_at, known.tried = None, False
        known.left, known.contradicted = None, False
    elif event.phase not in OPEN_PHASES or event.batch != known.change.batch:
        known.release = None
    elif known.left is None:
        known.left = event
    known.change = event


def follow_alarm(news: WaterNews, notice: AlarmNotice) -> None:
    """Take what happened to an alarm, whether the receiver is sent it or not."""
    known = news.waters.get(notice.reservoir)
    if known is None or notice.name not in CONTRADICTING:
        return
    active = notice.state in (NoticeState.ACTIVE, NoticeState.ACKNOWLEDGED)
    if notice.name == DRIFT:
        known.drifting = active
    if not active and known.left is None:
        known.contradicted = False  # the receiver of that alarm is sent that it has cleared


def contradict(news: WaterNews, notice: AlarmNotice) -> None:
    """Take it that the receiver is sent that an alarm was raised."""
    known = news.waters.get(notice.reservoir)
    if known is not None and notice.name in CONTRADICTING:
        known.contradicted = True
    if notice.name == START_MISSED:
        end_starts(news, notice.reservoir)


def end_starts(news: WaterNews, reservoir: str) -> None:
    """Drop the due starts of a reservoir: the batch was begun, or an alarm says that it was not."""
    news.starts = [each for each in news.starts if each.reservoir != reservoir]


def waiting(news: WaterNews, now: datetime, *, quiet: bool) -> tuple[News, ...]:
    """Return what is to be sent now, the most pressing first.

    Args:
        news: What is known.
        now: UTC.
        quiet: Whether only what cannot wait is to be sent.
    """
    withdrawn = [
        Withdrawn(known.release, known.left)
        for known in news.waters.values()
        if known.release is not None
        and known.left is not None
        and (known.sent_at is not None or known.tried)
        and not known.contradicted
        and not _within_minutes(known.left.at, now)
    ]
    if quiet:
        return tuple(withdrawn)
    released = [
        Released(known.release)
        for known in news.waters.values()
        if known.release is not None and known.left is None and known.sent_at is None
        if not known.drifting
        # Measuring may have died: then no event says that the water is stale.
        if known.release.use_by is None or now < known.release.use_by
    ]
    starts = [each for each in news.starts if now < each.due_at]
    return (*withdrawn, *released, *starts)


def mark_tried(news: WaterNews, sent: News) -> None:
    """Record that it is about to be sent: whoever stores that can withdraw it after a crash."""
    _mark_trial(news, sent, tried=True)


def mark_failed(news: WaterNews, sent: News) -> None:
    """Record that the receiver did not accept it, which is certain."""
    _mark_trial(news, sent, tried=False)


def mark_sent(news: WaterNews, sent: News, now: datetime) -> None:
    """Record that the receiver accepted it, whatever has happened since it was on its way."""
    if isinstance(sent, DueStart):
        news.starts = [each for each in news.starts if each.seq != sent.seq]
        return
    known = news.waters.get(place_of(sent))
    if known is None or known.release is None:
        return
    if isinstance(sent, Withdrawn):
        if known.release.seq == sent.released.seq:
            known.contradicted = True
    elif known.release.seq == sent.change.seq:
        known.sent_at = now


def _mark_trial(news: WaterNews, sent: News, *, tried: bool) -> None:
    known = news.waters.get(place_of(sent))
    if isinstance(sent, Released) and known is not None and known.release == sent.change:
        known.tried = tried


def rewind(news: WaterNews, last_seq: int) -> None:
    """Go on from the end of a journal that ends before what is known, or is a new one."""
    news.waters = {
        name: known for name, known in news.waters.items() if known.change.seq <= last_seq
    }
    news.starts = [each for each in news.starts if each.seq <= last_seq]


def keep_reservoirs(news: WaterNews, reservoirs: Collection[str]) -> None:
    """Drop what is known of reservoirs that are no longer there."""
    news.waters = {name: known for name, known in news.waters.items() if name in reservoirs}
    news.starts = [each for each in news.starts if each.reservoir in reservoirs]


def _is_same_release(known: Water, event: WaterChange) -> bool:
    """Return whether water that is released now counts as released all along."""
    return (
        known.release is not None
        and known.release.batch == event.batch
        and not known.contradicted
        and known.left is not None
        and _within_minutes(known.left.at, event.at)
    )


def _within_minutes(since: datetime, now: datetime) -> bool:
    """Return whether little time has passed; a clock that was set back makes nothing wait."""
    return timedelta() <= now - since < ANOTHER_AFTER
