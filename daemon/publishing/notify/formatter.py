"""What a message to people says: plain sentences, no markup, a title for a small screen.

Lines are not broken: a mail program and a telephone each do that as fits their width.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.publishing.notify.notice import Notice, Standing
from daemon.publishing.notify.policy import Message, Reason, Waiting

LATE = timedelta(minutes=5)
LISTED_AT_MOST = 40
LONGEST_TITLE = 78
LONGEST_WHY = 700
DAY_S, HOUR_S, MINUTE_S = 86_400, 3_600, 60


@dataclass(frozen=True, slots=True)
class Teller:
    """Who speaks, and by which clock.

    Attributes:
        station: Name of the station.
        zone: Of the times told.
        repeat_every: How often high ones are told again.
    """

    station: str
    zone: tzinfo = UTC
    repeat_every: timedelta = timedelta(minutes=30)

    def title(self, message: Message, now: datetime) -> str:
        """Return one short line that says the most pressing thing."""
        first, more = message.items[0], len(message.items) - 1
        late = "late: " if message.reason is Reason.CHANGE and is_late(first, now) else ""
        if message.reason is Reason.DIGEST:
            text = f"{self.station}: {_count(more + 1, 'change')} of low priority"
        elif message.reason is Reason.REPEAT:
            text = f"{_where(first.notice, self.station)}: {first.notice.name} goes on"
        elif _is_over(first):
            text = f"{late}{_where(first.notice, self.station)}: {first.notice.name} is over"
        else:
            priority = first.notice.priority
            text = f"{late}{_where(first.notice, self.station)}: {first.notice.name} ({priority})"
        if more and message.reason is not Reason.DIGEST:
            text += f" and {more} more"
        return text if len(text) <= LONGEST_TITLE else text[: LONGEST_TITLE - 3] + "..."

    def body(self, message: Message, now: datetime) -> str:
        """Return the whole text, a fact a line."""
        first, *others = message.items
        if message.reason is Reason.DIGEST:
            parts = [self._list(message, message.items, now)]
        else:
            parts = [self._whole(first, message.reason, now)]
            if others:
                parts.append(f"{len(others)} more:\n" + self._list(message, others, now))
        if message.counted:
            told = ", ".join(f"{key} {count} times" for key, count in message.counted)
            parts.append(f"Besides these, too many to list: {told}.")
        parts.append(f"Station {self.station}, {self._time(now)}")
        return "\n\n".join(parts)

    def trial(self, now: datetime) -> tuple[str, str]:
        """Return title and text of a message that only tries the way."""
        body = (
            "This is a test of how alarms reach you. Nothing is wrong; do nothing.\n\n"
            f"Station {self.station}, {self._time(now)}"
        )
        return f"{self.station}: a test, nothing is wrong", body

    def _whole(self, item: Waiting, reason: Reason, now: datetime) -> str:
        notice, kind = item.notice, CATALOGUE.get(item.notice.name)
        lines = []
        if kind is not None and not _is_over(item):
            lines.append(_sentence(kind.means) + "\n")
        where = f"reservoir {notice.reservoir}" if notice.reservoir else "the station"
        rows = [("Alarm", notice.name), ("Where", where), ("Priority", str(notice.priority))]
        if notice.why and notice.standing is Standing.RAISED:
            rows.append(("Why", _sentence(notice.why[:LONGEST_WHY])))
        over = item.then if item.then is not None else notice
        if notice.standing is Standing.RAISED:
            rows.append(("Since", self._time(notice.at, notice.synced)))
        if over.standing is Standing.OVER:
            rows.append(("Over", self._time(over.at, over.synced)))
        elif item.then is not None:
            rows.append(("By now", f"{_act(over)}, {self._time(over.at, over.synced)}"))
        if kind is not None and not _is_over(item):
            rows += [("Do", _sentence(kind.do)), ("Otherwise", _sentence(kind.consequence))]
        lines += [f"{label}: {text}" for label, text in rows]
        lines += self._remarks(item, reason, now)
        return "\n".join(lines)

    def _remarks(self, item: Waiting, reason: Reason, now: datetime) -> list[str]:
        remarks = []
        if reason is Reason.CHANGE and is_late(item, now):
            ago = lasting(now - item.notice.at)
            remarks.append(f"This comes late: it happened {ago} ago.")
        if item.urgent:
            which = f" --reservoir {item.notice.reservoir}" if item.notice.reservoir else ""
            remarks.append(
                f"It is told again every {lasting(self.repeat_every)} until it is over or somebody"
                f" says: brinewright alarm ack {item.notice.name}{which}"
            )
        return ["", *remarks] if remarks else []

    def _list(self, message: Message, items: Iterable[Waiting], now: datetime) -> str:
        told = list(items)
        lines = [self._line(item, message.reason, now) for item in told[:LISTED_AT_MOST]]
        if left := told[LISTED_AT_MOST:]:
            lines.append("- and " + ", ".join(_tally(left)))
        return "\n".join(lines)

    def _line(self, item: Waiting, reason: Reason, now: datetime) -> str:
        notice = item.notice
        told = f"{_where(notice, self.station)}: {notice.name} ({notice.priority})"
        if notice.standing is Standing.OVER:
            told += f" is over, {self._time(notice.at, notice.synced)}"
        else:
            told += f", since {self._time(notice.at, notice.synced)}"
        if item.then is not None:
            told += f", {_act(item.then)} {self._time(item.then.at, item.then.synced)}"
        if reason is Reason.CHANGE and is_late(item, now):
            told += ", late"
        if notice.why and notice.standing is Standing.RAISED:
            told += f": {notice.why[:LONGEST_WHY]}"
        return f"- {' '.join(told.split())}"

    def _time(self, at: datetime, synced: bool = True) -> str:  # noqa: FBT001, FBT002
        unsure = "" if synced else " (the clock was not set)"
        return f"{at.astimezone(self.zone):%Y-%m-%d %H:%M %Z}{unsure}"


def is_late(item: Waiting, now: datetime) -> bool:
    """Return whether what is told happened longer ago than a message takes."""
    return now - item.notice.at > LATE


def lasting(span: timedelta) -> str:
    """Return a span in words, to the minute, such as '2 d 3 h' or '45 min'."""
    total_s = max(0, round(span.total_seconds()))
    days, hours = total_s // DAY_S, total_s % DAY_S // HOUR_S
    minutes = total_s % HOUR_S // MINUTE_S
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def _is_over(item: Waiting) -> bool:
    return (item.then or item.notice).standing is Standing.OVER


def _where(notice: Notice, station: str) -> str:
    return notice.reservoir or station


def _act(notice: Notice) -> str:
    by = f" by {notice.who}" if notice.who else ""
    return f"{'over' if notice.standing is Standing.OVER else notice.standing}{by}"


def _tally(items: Iterable[Waiting]) -> list[str]:
    counts: dict[str, int] = {}
    for item in items:
        counts[item.notice.key] = counts.get(item.notice.key, 0) + 1
    return [f"{key} {count} times" for key, count in counts.items()]


def _count(count: int, what: str) -> str:
    return f"1 {what}" if count == 1 else f"{count} {what}s"


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
