"""The words of the messages that people wait for: a title that says all, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from daemon.local_time import local
from daemon.mixing.cautions import INDEPENDENT_CHECK, SALT_DUST, SALT_SLOWLY, UNPLUG_FIRST
from daemon.publishing.notify.news import (
    DueStart,
    MessageKind,
    News,
    Released,
    WaterChange,
    Withdrawn,
)
from daemon.publishing.notify.notice import AlarmNotice

WEEK_AHEAD = timedelta(days=6)
"""A weekday names a day within it; further away, or past, a date does."""
WEEKDAY, DATED = "%a %H:%M", "%Y-%m-%d %H:%M"
FULL = "%a %Y-%m-%d %H:%M"
CAUTIONS = {
    MessageKind.UNDECIDED: UNPLUG_FIRST,
    MessageKind.SUSPENDED: UNPLUG_FIRST,
    MessageKind.AGEING: INDEPENDENT_CHECK,
}
"""What goes with an alarm of a kind, where its row of the catalogue does not say it."""

LONGEST_WHY = 700
"""Characters of a reason, and of what to do in steps."""
SENTENCES = ("Why", "Do", "Caution", "Otherwise")
"""Labels of rows that are sentences."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a message.

    Attributes:
        label: What it is.
        text: What stands behind it.
        steps: What to do, in order; a line each below it.
    """

    label: str
    text: str
    steps: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Return its lines."""
        text = " ".join(self.text.split())
        head = f"{self.label}: {sentence(text) if self.label in SENTENCES else text}"
        return "\n".join([head, *self.steps])


@dataclass(frozen=True, slots=True)
class KindText:
    """Words what is of a kind, for one station.

    Attributes:
        zone: Of the times in the text.
    """

    zone: tzinfo = UTC

    def news_title(self, news: News, now: datetime) -> str:
        """Return what a title says behind the reservoir."""
        match news:
            case Released(change=change):
                parts = ["released", figures(change), self._use_by(change.use_by, now)]
            case Withdrawn():
                parts = ["release withdrawn", "use none of this water"]
            case DueStart():
                start, due = self.soon(news.start_by, now), self.soon(news.due_at, now)
                parts = [f"begin {news.volume_l:g} L by {start}", f"due {due}"]
        return ", ".join(part for part in parts if part)

    def news_line(self, news: News, now: datetime) -> str:
        """Return the same with the batch, for a list."""
        batch = "" if isinstance(news, DueStart) else news.change.batch
        return f"{self.news_title(news, now)}{batch and f' (batch {batch})'}"

    def alarm_title(self, notice: AlarmNotice, now: datetime) -> str:
        """Return what a title says behind the reservoir of an alarm of a kind, while it lasts."""
        water, first = notice.water, first_clause(notice.why)
        match notice.kind:
            case MessageKind.AGEING if water is not None and water.use_by is not None:
                parts = ["ageing", self._use_by(water.use_by, now)]
            case MessageKind.OFF_TARGET:
                parts = ["off target", "" if water is None else figures(water), first]
            case MessageKind.UNDECIDED:
                reason, _, acts = notice.why.partition(": ")
                parts = ["undecided", reason.partition(" (k=2)")[0], first_clause(acts)]
            case MessageKind.SUSPENDED:
                parts = ["suspended", question(notice.why) or first]
            case kind:
                parts = [str(kind), first]
        return ", ".join(part for part in parts if part)

    def news_rows(self, news: News) -> tuple[str, list[Row]]:
        """Return what happened as a sentence, and the rows below it."""
        match news:
            case Released(change=change):
                return "The water is released.", self._of_release(change)
            case Withdrawn(released=released, change=change):
                return "The water that was released is not released any more.", [
                    Row("Where", where(change.reservoir, change.batch)),
                    Row("Why", change.why[:LONGEST_WHY] or "no reason was recorded"),
                    Row("Withdrawn", self.full(change.at, change.synced)),
                    Row("Released before", self.full(released.at, released.synced)),
                    Row("Do", "use none of this water until it is released again"),
                ]
            case DueStart():
                return "A batch is to be begun now to be ready when it is due.", [
                    Row("Where", where(news.reservoir, "")),
                    Row("Volume", f"{news.volume_l:g} L"),
                    Row("Salt in by", self.full(news.start_by, news.synced)),
                    Row("Ready by", self.full(news.due_at, news.synced)),
                    Row("Do", f"fill and weigh now; the salt goes in {SALT_SLOWLY}; {SALT_DUST}"),
                ]

    def alarm_rows(self, notice: AlarmNotice, do: str) -> list[Row]:
        """Return why an alarm of a kind was raised, by when, and what to do, in steps.

        Args:
            notice: That it was raised.
            do: What the catalogue says; empty where it has no such row.
        """
        water, why, steps = notice.water, notice.why, tuple[str, ...]()
        if notice.kind is MessageKind.OFF_TARGET and water is not None and water.why:
            why, steps = water.why, numbered(notice.why[:LONGEST_WHY])
        elif notice.kind is MessageKind.UNDECIDED:
            why, _, acts = notice.why.partition(": ")
            steps = choices(acts[:LONGEST_WHY])
        rows = [Row("Why", why[:LONGEST_WHY])] if why else []
        if notice.kind is MessageKind.AGEING and water is not None and water.use_by is not None:
            rows.append(Row("Use by", self.full(water.use_by, water.synced)))
        if do or steps:
            rows.append(Row("Do", do or "as advised", steps))
        caution = "" if notice.kind is None else CAUTIONS.get(notice.kind, "")
        if caution and caution not in f"{do} {notice.why}":
            rows.append(Row("Caution", caution))
        return rows

    def soon(self, at: datetime, now: datetime) -> str:
        """Return a moment as short as it is clear."""
        ahead = now - timedelta(days=1) < at < now + WEEK_AHEAD
        return local(at, self.zone, WEEKDAY if ahead else DATED)

    def full(self, at: datetime, synced: bool = True) -> str:  # noqa: FBT001, FBT002
        """Return a moment with its weekday and date, and that the clock was not set."""
        return local(at, self.zone, FULL) + ("" if synced else " (the clock was not set)")

    def _use_by(self, moment: datetime | None, now: datetime) -> str:
        return "" if moment is None else f"use by {self.soon(moment, now)}"

    def _of_release(self, change: WaterChange) -> list[Row]:
        rows = [Row("Where", where(change.reservoir, change.batch))]
        if change.why:
            rows.append(Row("Why", change.why[:LONGEST_WHY]))
        rows.append(Row("Released", self.full(change.at, change.synced)))
        if change.use_by is not None:
            rows.append(Row("Use by", self.full(change.use_by, change.synced)))
        used = f"brinewright batch use --reservoir {change.reservoir}"
        return [*rows, Row("Do", INDEPENDENT_CHECK), Row("When used", used)]


def where(reservoir: str, batch: str) -> str:
    """Return which water it is about."""
    place = f"reservoir {reservoir}" if reservoir else "the station"
    return f"{place}, batch {batch}" if batch else place


def figures(change: WaterChange) -> str:
    """Return the salinity that was judged with its ±, k = 2; empty where none was."""
    if change.salinity is None:
        return ""
    spread = "± unknown" if change.salinity_u is None else f"± {2 * change.salinity_u:.2f}"
    return f"{change.salinity:.2f} {spread} ppt"


def first_clause(text: str) -> str:
    """Return what a sentence says first, for a title: without its cautions and its command."""
    first = " ".join(text.split()).partition("; ")[0]
    return first.removesuffix(f", {SALT_SLOWLY} ({SALT_DUST})").partition(" ('")[0]


def choices(acts: str) -> tuple[str, ...]:
    """Return acts of which one may be enough, a line each."""
    return tuple(f"- {sentence(act)}" for act in acts.split("; ") if act)


def question(text: str) -> str:
    """Return what a sentence asks, behind its reason; empty where it asks nothing."""
    asked = " ".join(text.split()).rpartition(": ")[2]
    return asked[: asked.rfind("?") + 1]


def numbered(advice: str) -> tuple[str, ...]:
    """Return the steps of an advice, a line each, numbered where there are several."""
    steps = [sentence(step) for step in advice.split("; ") if step]
    if len(steps) < 2:  # noqa: PLR2004 - one step needs no number
        return tuple(steps)
    return tuple(f"{number}. {step}" for number, step in enumerate(steps, 1))


def sentence(text: str) -> str:
    """Return a text as a sentence."""
    text = " ".join(text.split())
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
