"""The text of a notification: plain sentences, no markup, a title for a small screen.

Lines are not broken: a mail program and a telephone each do that as fits their width.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import Notification, NotificationKind, QueuedChange

LATE = timedelta(minutes=5)
DETAILED_AT_MOST = 3
"""Changes in full, with what to do; our choice, what a person reads on a telephone."""
LISTED_AT_MOST = 40
LONGEST_TITLE = 78
LONGEST_WHY = 700
DAY_S, HOUR_S, MINUTE_S = 86_400, 3_600, 60


@dataclass(frozen=True, slots=True)
class Formatter:
    """Words notifications for one station.

    Attributes:
        station: Name of the station.
        zone: Of the times in the text.
        repeat_every: How often a high alarm is sent again.
    """

    station: str
    zone: tzinfo = UTC
    repeat_every: timedelta = timedelta(minutes=30)

    def title(self, notification: Notification, now: datetime) -> str:
        """Return one short line with the most pressing change."""
        first, more = notification.changes[0], len(notification.changes) - 1
        if notification.kind is NotificationKind.DIGEST:
            text = f"{self.station}: {_count(more + 1, 'change')} of low priority"
            return _cut(text, LONGEST_TITLE)
        late = notification.kind is NotificationKind.CHANGE and is_late(first, now)
        text = f"{'late: ' if late else ''}{self._place(first.notice)}: {first.notice.name}"
        if notification.kind is NotificationKind.REPEAT:
            text += " is still active"
        elif _has_cleared(first):
            text += " cleared"
        else:
            text += f" ({first.notice.priority})"
        return _cut(f"{text} and {more} more" if more else text, LONGEST_TITLE)

    def body(self, notification: Notification, now: datetime) -> str:
        """Return the whole text, a fact a line."""
        kind, changes = notification.kind, notification.changes
        detailed = 0 if kind is NotificationKind.DIGEST else DETAILED_AT_MOST
        parts = [self._details(each, kind, now) for each in changes[:detailed]]
        if others := changes[detailed:]:
            listed = self._list(others, kind, now)
            parts.append(f"{len(others)} more:\n{listed}" if parts else listed)
        if notification.dropped:
            parts.append(
                f"Besides these, {_count(notification.dropped, 'earlier change')} waited too long"
                " to be listed here; 'brinewright export events' lists all."
            )
        parts.append(f"Station {self.station}, {self._time(now)}")
        return "\n\n".join(parts)

    def test_message(self, now: datetime) -> tuple[str, str]:
        """Return title and text of a notification that only tests the delivery."""
        body = (
            "This is a test of how alarms reach you. Nothing is wrong; do nothing.\n\n"
            f"Station {self.station}, {self._time(now)}"
        )
        return f"{self.station}: a test, nothing is wrong", body

    def _details(self, change: QueuedChange, kind: NotificationKind, now: datetime) -> str:
        """Return a change in full: what is wrong, where, why, since when, and what to do."""
        row, cleared = CATALOGUE.get(change.notice.name), _has_cleared(change)
        lines = [] if row is None or cleared else [_sentence(row.means) + "\n"]
        rows = [*self._identity(change.notice), *self._course(change)]
        if row is not None and not cleared:
            rows += [("Do", _sentence(row.do)), ("Otherwise", _sentence(row.consequence))]
        lines += [f"{label}: {text}" for label, text in rows]
        return "\n".join(lines + self._remarks(change, kind, now))

    def _identity(self, notice: AlarmNotice) -> list[tuple[str, str]]:
        where = f"reservoir {notice.reservoir}" if notice.reservoir else "the station"
        return [("Alarm", notice.name), ("Where", where), ("Priority", str(notice.priority))]

    def _course(self, change: QueuedChange) -> list[tuple[str, str]]:
        """Return why an alarm was raised, since when it is active, and what came later."""
        notice, last = change.notice, change.later or change.notice
        rows = []
        if notice.state is NoticeState.ACTIVE:
            if notice.why:
                rows.append(("Why", _sentence(notice.why[:LONGEST_WHY])))
            rows.append(("Since", self._time(notice.at, notice.synced)))
        if last.state is NoticeState.CLEARED:
            rows.append(("Cleared", self._time(last.at, last.synced)))
        elif change.later is not None:
            rows.append(("Now", f"{_state(last)}, {self._time(last.at, last.synced)}"))
        return rows

    def _remarks(self, change: QueuedChange, kind: NotificationKind, now: datetime) -> list[str]:
        remarks = []
        if kind is NotificationKind.CHANGE and is_late(change, now):
            ago = in_words(now - change.notice.at)
            remarks.append(f"This comes late: it happened {ago} ago.")
        if change.urgent:
            place = change.notice.reservoir
            which = f" --reservoir {place}" if place else ""
            remarks.append(
                f"It is repeated every {in_words(self.repeat_every)} until it clears or a person"
                f" acknowledges it: brinewright alarm ack {change.notice.name}{which}"
            )
        return ["", *remarks] if remarks else []

    def _list(self, changes: Sequence[QueuedChange], kind: NotificationKind, now: datetime) -> str:
        lines = [self._line(each, kind, now) for each in changes[:LISTED_AT_MOST]]
        if left := len(changes) - LISTED_AT_MOST:
            lines += [f"- and {left} more; 'brinewright export events' lists all"] * (left > 0)
        return "\n".join(lines)

    def _line(self, change: QueuedChange, kind: NotificationKind, now: datetime) -> str:
        notice, later = change.notice, change.later
        text = f"{self._place(notice)}: {notice.name} ({notice.priority})"
        if notice.state is NoticeState.CLEARED:
            text += f" cleared, {self._time(notice.at, notice.synced)}"
        else:
            text += f", since {self._time(notice.at, notice.synced)}"
        if later is not None:
            text += f", {_state(later)} {self._time(later.at, later.synced)}"
        if kind is NotificationKind.CHANGE and is_late(change, now):
            text += ", late"
        if notice.why and notice.state is NoticeState.ACTIVE:
            text += f": {notice.why[:LONGEST_WHY]}"
        return f"- {' '.join(text.split())}"

    def _place(self, notice: AlarmNotice) -> str:
        return notice.reservoir or self.station

    def _time(self, at: datetime, synced: bool = True) -> str:  # noqa: FBT001, FBT002
        unsure = "" if synced else " (the clock was not set)"
        return f"{at.astimezone(self.zone):%Y-%m-%d %H:%M %Z}{unsure}"


def is_late(change: QueuedChange, now: datetime) -> bool:
    """Return whether a change is longer ago than a delivery takes."""
    return now - change.notice.at > LATE


def in_words(span: timedelta) -> str:
    """Return a span in words, to the minute, such as '2 d 3 h' or '45 min'."""
    total_s = max(0, round(span.total_seconds()))
    days, hours = total_s // DAY_S, total_s % DAY_S // HOUR_S
    minutes = total_s % HOUR_S // MINUTE_S
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def _has_cleared(change: QueuedChange) -> bool:
    return (change.later or change.notice).state is NoticeState.CLEARED


def _state(notice: AlarmNotice) -> str:
    return f"{notice.state} by {notice.who}" if notice.who else str(notice.state)


def _count(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "..."


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
