"""The trend of a reservoir over any stretch of time.

It comes from the trend file, and from the journal itself where a stretch is short or newer than
what that file holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from daemon.journal.errors import JournalError
from daemon.journal.summaries import MINUTE_MS
from daemon.journal.trend.marks import PHASE, Mark, MarkKind
from daemon.journal.trend.series import (
    STEPS_S,
    Gap,
    Point,
    gaps_of,
    points_of,
    source_width_ms,
    step_s,
    together,
)
from daemon.journal.trend.stretch import (
    marks_after,
    readings_after,
    readings_between,
    time_after,
)
from daemon.journal.trend.tally import FURTHEST_MS
from daemon.journal.trend.trend_file import WIDTHS_MS, Reach, TrendSpoiltError, condemn, trend_view

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

    from daemon.journal.reader import Reader
    from daemon.journal.trend.bucket import Stretch
    from daemon.journal.trend.tally import Buckets
    from daemon.journal.trend.trend_file import TrendView

MINUTE_S = MINUTE_MS // 1000
SOURCES = dict(zip(WIDTHS_MS, ("minutes", "ten minutes", "hours", "half days"), strict=True))
"""Where points come from, by the width of the buckets."""
LONGEST_RAW_MS = 2 * 3_600_000
"""Up to here readings are read one by one: 7,200 of them at one a second."""
MOST_MARKS = 120
"""A kind of marks is given whole or not at all: a part of them would look like all."""
MOST_PHASES = 500
"""With more steps than these in a stretch none is given: they could not be told apart, and some of
them would look like all."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is wanted.

    Attributes:
        reservoir: Its name.
        since_ms: From this time on, ms since 1970.
        until_ms: Before this time.
        points: No more than these.
        step: Of the points, s; 0 for the shortest that fits.
    """

    reservoir: str
    since_ms: int
    until_ms: int
    points: int
    step: int = 0


@dataclass(frozen=True, slots=True)
class Trend:
    """A stretch of a reservoir's time.

    Attributes:
        since_ms: From this time on, a multiple of the step.
        until_ms: Before this time, likewise.
        step: Of the points, s.
        source: Where they come from, in words.
        points: In order of time.
        gaps: Times without a usable reading, in order.
        gaps_left_out: How many shorter ones there are besides.
        marks: What is marked, in order of time.
        marks_left_out: Kinds of which there are too many.
        phases: The steps of the phase, in order, the first of them before the stretch; empty where
            there are too many.
        complete_from_ms: What is older is not prepared yet; None where all is.
        missing: A stretch that is not prepared yet, before the newest readings; None for none.
    """

    since_ms: int
    until_ms: int
    step: int
    source: str
    points: list[Point]
    gaps: list[Gap]
    gaps_left_out: int
    marks: list[Mark]
    marks_left_out: tuple[str, ...]
    phases: list[Mark]
    complete_from_ms: int | None = None
    missing: Stretch | None = None


@dataclass(slots=True)
class _Stored:
    """What the trend file gave.

    Attributes:
        reach: Which entries it holds.
        buckets: In the stretch.
        marks: In the stretch, and the steps of the phase.
        before: The last step of the phase before it.
    """

    reach: Reach = field(default_factory=lambda: Reach("", 0, 0))
    buckets: Buckets = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)
    before: list[Mark] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class TrendReader:
    """Answers from both files; safe to be used by several threads.

    Attributes:
        reader: The journal.
        path: The trend file; one that the disk has spoilt is removed.
    """

    reader: Reader
    path: Path

    def read(self, question: Question) -> Trend:
        """Return a stretch of time.

        Raises:
            JournalError: The journal cannot be read.
        """
        asked = _aligned(question)
        if asked.until_ms - asked.since_ms <= LONGEST_RAW_MS and asked.step * 1000 < MINUTE_MS:
            found = self._from_readings(asked)
            if found is not None:
                return found
        return self._from_buckets(_aligned(replace(question, step=max(asked.step, MINUTE_S))))

    def _from_readings(self, asked: Question) -> Trend | None:
        stored = self._stored(asked, 0)
        stretch = (asked.since_ms, asked.until_ms, 1000 * asked.step)
        with self.reader.transaction() as db:
            found = readings_between(db, asked.reservoir, *stretch)
            marks = marks_after(db, stored.reach.high, asked.reservoir)
        if found is None:
            return None
        if found.pace_ms > 1000 * asked.step:
            # Else points would be of one probe and of another by turns.
            return self._from_readings(_aligned(replace(asked, step=-(-found.pace_ms // 1000))))
        # A minute is not spread over seconds: it is one point among those of the readings.
        minutes = {(*key[:2], key[2] + 1): each for key, each in found.minutes.items()}
        parts = _Parts(found.readings | minutes)
        return _trend(asked, "readings", stored, marks, parts)

    def _from_buckets(self, asked: Question) -> Trend:
        width_ms = source_width_ms(asked.step, WIDTHS_MS)
        # The file is read first: what it lacks then is in the journal still.
        stored = self._stored(asked, width_ms)
        with self.reader.transaction() as db:
            newest, after = readings_after(db, stored.reach.high, asked.reservoir, width_ms)
            marks = marks_after(db, stored.reach.high, asked.reservoir)
            complete_from_ms, missing = _lacking(db, stored.reach, after)
        inside = {
            key: each for key, each in newest.items() if asked.since_ms <= key[2] < asked.until_ms
        }
        parts = _Parts(together((stored.buckets, inside), width_ms), complete_from_ms, missing)
        return _trend(asked, SOURCES[width_ms], stored, marks, parts)

    def _stored(self, asked: Question, width_ms: int) -> _Stored:
        """Return what the trend file gives; nothing where it is of no use now.

        Args:
            asked: What is wanted.
            width_ms: Of the buckets; 0 for none.
        """
        journal = self.reader.identity()
        try:
            with trend_view(self.path) as view:
                if view.reach.journal == journal:
                    return _from_view(view, asked, width_ms)
        except TrendSpoiltError:
            condemn(self.path)
        except JournalError:
            # It is being made, or cannot be: what is missing is said beside what there is.
            pass
        return _Stored()


@dataclass(frozen=True, slots=True)
class _Parts:
    buckets: Buckets
    complete_from_ms: int | None = None
    missing: Stretch | None = None


def _aligned(question: Question) -> Question:
    """Return the question with its step and with ends that are multiples of it."""
    since_ms, until_ms = question.since_ms, max(question.until_ms, question.since_ms + 1)
    step = max(step_s(since_ms, until_ms, question.points), question.step)
    if until_ms - since_ms > LONGEST_RAW_MS:
        step = max(step, MINUTE_S)
    step = next((each for each in STEPS_S if each >= step), STEPS_S[-1])
    width_ms = 1000 * step
    return replace(
        question,
        since_ms=since_ms - since_ms % width_ms,
        until_ms=until_ms + -until_ms % width_ms,
        step=step,
    )


def _from_view(view: TrendView, asked: Question, width_ms: int) -> _Stored:
    place = (asked.reservoir, asked.since_ms, asked.until_ms)
    buckets = view.buckets(width_ms, *place) if width_ms else {}
    marks: list[Mark] = []
    for kind in MarkKind:
        marks += view.marks(asked.reservoir, kind, *place[1:], MOST_MARKS + 1)
    marks += view.marks(asked.reservoir, PHASE, *place[1:], MOST_PHASES + 1)
    before = view.marks(asked.reservoir, PHASE, -FURTHEST_MS, asked.since_ms, 1)
    return _Stored(view.reach, buckets, marks, before)


def _lacking(db: sqlite3.Connection, reach: Reach, after: int) -> tuple[int | None, Stretch | None]:
    """Return from when on all is there, and what is missing between old and new."""
    if not reach.journal:
        return (time_after(db, after) if after else None), None
    complete = time_after(db, reach.low) if reach.low else None
    if after == reach.high:
        return complete, None
    begin, end = time_after(db, reach.high), time_after(db, after)
    return complete, (begin, end) if begin is not None and end is not None else None


def _trend(
    asked: Question, source: str, stored: _Stored, newest: list[Mark], parts: _Parts
) -> Trend:
    inside = {
        each for each in (*stored.marks, *newest) if asked.since_ms <= each.time_ms < asked.until_ms
    }
    before = [*stored.before, *(m for m in newest if m.time_ms < asked.since_ms)]
    phases = sorted((each for each in inside if each.kind == PHASE), key=_when)
    marks, left_out = _whole_kinds([each for each in inside if each.kind != PHASE])
    gaps, gaps_left_out = gaps_of(parts.buckets, 1000 * asked.step)
    if parts.missing is not None:
        begin, end = parts.missing
        # What is not prepared yet is no silence.
        gaps = [each for each in gaps if each.end_ms <= begin or each.begin_ms >= end]
    return Trend(
        asked.since_ms,
        asked.until_ms,
        asked.step,
        source,
        points_of(parts.buckets, 1000 * asked.step),
        gaps,
        gaps_left_out,
        sorted(marks, key=_when),
        left_out,
        _steps(before, phases),
        parts.complete_from_ms,
        parts.missing,
    )


def _steps(before: list[Mark], phases: list[Mark]) -> list[Mark]:
    """Return the steps of the phase with the one that the stretch begins in."""
    if len(phases) > MOST_PHASES:
        return []
    return sorted((each for each in before if each.kind == PHASE), key=_when)[-1:] + phases


def _when(mark: Mark) -> tuple[int, int]:
    return mark.time_ms, mark.seq


def _whole_kinds(some: list[Mark]) -> tuple[list[Mark], tuple[str, ...]]:
    """Return the marks of as many kinds as there is room for, and the kinds that are left out."""
    marks: list[Mark] = []
    left_out: list[str] = []
    for kind in map(str, MarkKind):
        found = [each for each in some if each.kind == kind]
        if len(marks) + len(found) <= MOST_MARKS:
            marks += found
        else:
            left_out.append(kind)
    return marks, tuple(left_out)
