"""The text of a notification: plain sentences, no markup, a title for a small screen.

Lines are not broken: a mail program and a telephone each do that as fits their width.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.publishing.notify.kind_text import LONGEST_WHY, KindText, Row, sentence, where
from daemon.publishing.notify.news import News, moment_of, place_of
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import Notification, NotificationKind, QueuedChange

LATE = timedelta(minutes=5)
DETAILED_AT_MOST = 3
"""Changes in full, with what to do; our choice, what a person reads on a telephone."""
LISTED_AT_MOST = 40
LONGEST_TITLE = 78
SHORTEST_PLACE = 12
"""Characters of a name that a title keeps, however much it has to say."""
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
        first, more = notification.items[0], len(notification.items) - 1
        if notification.kind is NotificationKind.DIGEST:
            text = f"{self.station}: {_count(more + 1, 'change')} of low priority"
            return _cut(text, LONGEST_TITLE)
        late = (
            "late: "
            if notification.kind is NotificationKind.CHANGE and _is_overdue(first, now)
            else ""
        )
        what = self._what(first, notification.kind, now)
        return _fit(late, self._place(first), what, f" and {more} more" if more else "")

    def body(self, notification: Notification, now: datetime) -> str:
        """Return the whole text, a fact a line."""
        kind, items = notification.kind, notification.items
        detailed = 0 if kind is NotificationKind.DIGEST else DETAILED_AT_MOST
        parts = [self._details(each, kind, now) for each in items[:detailed]]
        if others := items[detailed:]:
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
            "This is a test of how messages reach you. Nothing is wrong; do nothing.\n\n"
            f"Station {self.station}, {self._time(now)}"
        )
        return f"{self.station}: a test, nothing is wrong", body

    def _what(self, item: QueuedChange | News, kind: NotificationKind, now: datetime) -> str:
        """Return what a title says behind the place."""
        if not isinstance(item, QueuedChange):
            return self._kinds.news_title(item, now)
        if kind is NotificationKind.REPEAT:
            return f"{item.notice.name} is still active"
        if item.cleared:
            return f"{item.notice.name} cleared"
        if item.notice.kind is not None:
            return self._kinds.alarm_title(item.notice, now)
        return f"{item.notice.name} ({item.notice.priority})"

    def _details(self, item: QueuedChange | News, kind: NotificationKind, now: datetime) -> str:
        """Return an item in full: what is wrong, where, why, since when, and what to do."""
        if isinstance(item, QueuedChange):
            return self._alarm_details(item, kind, now)
        what, rows = self._kinds.news_rows(item)
        lines = [what + "\n", *map(str, rows)]
        if is_late(item, now):
            lines += ["", _comes_late(moment_of(item), now)]
        return "\n".join(lines)

    def _alarm_details(self, change: QueuedChange, kind: NotificationKind, now: datetime) -> str:
        row, notice = CATALOGUE.get(change.notice.name), change.notice
        lines = [] if row is None or change.cleared else [sentence(row.means) + "\n"]
        rows = self._identity(notice)
        do = row.do if row is not None and not change.cleared else ""
        if notice.kind is not None and not change.cleared:
            rows += [*self._kinds.alarm_rows(notice, do), *self._course(change)]
        else:
            if notice.why and notice.state is NoticeState.ACTIVE:
                rows.append(Row("Why", notice.why[:LONGEST_WHY]))
            rows += self._course(change)
            rows += [Row("Do", do)] if do else []
        if row is not None and not change.cleared:
            rows.append(Row("Otherwise", row.consequence))
        return "\n".join([*lines, *map(str, rows), *self._remarks(change, kind, now)])

    def _identity(self, notice: AlarmNotice) -> list[Row]:
        place = where(notice.reservoir, notice.batch if notice.kind is not None else "")
        return [
            Row("Alarm", notice.name),
            Row("Where", place),
            Row("Priority", str(notice.priority)),
        ]

    def _course(self, change: QueuedChange) -> list[Row]:
        """Return since when an alarm is active, and what came later."""
        notice, last = change.notice, change.later or change.notice
        rows = []
        if notice.state is NoticeState.ACTIVE:
            rows.append(Row("Since", self._time(notice.at, notice.synced)))
        if last.state is NoticeState.CLEARED:
            rows.append(Row("Cleared", self._time(last.at, last.synced)))
        elif change.later is not None:
            rows.append(Row("Now", f"{_state(last)}, {self._time(last.at, last.synced)}"))
        return rows

    def _remarks(self, change: QueuedChange, kind: NotificationKind, now: datetime) -> list[str]:
        remarks = []
        if kind is NotificationKind.CHANGE and is_late(change, now):
            remarks.append(_comes_late(change.notice.at, now))
        if change.urgent:
            place = change.notice.reservoir
            which = f" --reservoir {place}" if place else ""
            remarks.append(
                f"It is repeated every {in_words(self.repeat_every)} until it clears or a person"
                f" acknowledges it: brinewright alarm ack {change.notice.name}{which}"
            )
        return ["", *remarks] if remarks else []

    def _list(
        self, items: Sequence[QueuedChange | News], kind: NotificationKind, now: datetime
    ) -> str:
        lines = [self._line(each, kind, now) for each in items[:LISTED_AT_MOST]]
        if left := len(items) - LISTED_AT_MOST:
            lines += [f"- and {left} more; 'brinewright export events' lists all"] * (left > 0)
        return "\n".join(lines)

    def _line(self, item: QueuedChange | News, kind: NotificationKind, now: datetime) -> str:
        if not isinstance(item, QueuedChange):
            return f"- {self._place(item)}: {self._kinds.news_line(item, now)}"
        change, notice, later = item, item.notice, item.later
        text = f"{self._place(change)}: {notice.name} ({notice.priority})"
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

    def _place(self, item: QueuedChange | News) -> str:
        about = item.notice.reservoir if isinstance(item, QueuedChange) else place_of(item)
        return about or self.station

    @property
    def _kinds(self) -> KindText:
        return KindText(self.zone)

    def _time(self, at: datetime, synced: bool = True) -> str:  # noqa: FBT001, FBT002
        unsure = "" if synced else " (the clock was not set)"
        return f"{at.astimezone(self.zone):%Y-%m-%d %H:%M %Z}{unsure}"


def is_late(item: QueuedChange | News, now: datetime) -> bool:
    """Return whether it is longer ago than a delivery takes."""
    at = item.notice.at if isinstance(item, QueuedChange) else moment_of(item)
    return now - at > LATE


def _is_overdue(item: QueuedChange | News, now: datetime) -> bool:
    """Return whether it is late although no quiet hours make it wait."""
    return isinstance(item, QueuedChange) and not item.gentle and is_late(item, now)


def in_words(span: timedelta) -> str:
    """Return a span in words, to the minute, such as '2 d 3 h' or '45 min'."""
    total_s = max(0, round(span.total_seconds()))
    days, hours = total_s // DAY_S, total_s % DAY_S // HOUR_S
    minutes = total_s % HOUR_S // MINUTE_S
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def _state(notice: AlarmNotice) -> str:
    return f"{notice.state} by {notice.who}" if notice.who else str(notice.state)


def _count(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _fit(late: str, place: str, what: str, more: str) -> str:
    """Return a title that fits: first a long name gives way, then the end of what is said."""
    room = LONGEST_TITLE - len(f"{late}: {what}{more}")
    head = f"{late}{_cut(place, max(room, SHORTEST_PLACE))}: "
    return head + _cut(what, LONGEST_TITLE - len(head) - len(more)) + more


def _comes_late(at: datetime, now: datetime) -> str:
    return f"This comes late: it happened {in_words(now - at)} ago."


def _cut(text: str, longest: int) -> str:
    """Return a text that fits, cut behind a word where one ends near enough."""
    if len(text) <= longest:
        return text
    kept = text[: longest - 3]
    return (kept[: kept.rfind(" ")] if kept.rfind(" ") > longest // 2 else kept) + "..."
