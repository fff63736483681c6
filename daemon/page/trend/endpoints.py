"""What programs may ask of the past of the water: `/api/readings`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.journal.published_schemas import NUMBER, TEXT, TIME
from daemon.journal.rows import to_ms
from daemon.journal.trend.marked_events import events_of
from daemon.journal.trend.marks import MarkKind
from daemon.journal.trend.series import STEPS_S
from daemon.journal.trend.trend import Question
from daemon.page.api.endpoint import (
    Arguments,
    Endpoint,
    Moment,
    NotThereError,
    OneOf,
    Parameter,
    Schema,
    Whole,
    WrongArgumentError,
)
from daemon.page.api.schema_parts import list_of, or_null, whole_object
from daemon.page.trend.answer import trend_answer

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.page.request import Request
    from daemon.page.sources import Sources
    from daemon.page.view import StationView

MOST_POINTS = 2000
USUAL_POINTS = 740
"""A point each five seconds of an hour, two minutes of a day, hour of a month, half day of a year.
"""
USUAL_SPAN = timedelta(hours=6)


def endpoints(sources: Sources) -> tuple[Endpoint, ...]:
    """Return the endpoint of readings."""
    names = tuple(each.name for each in sources.settings)
    return (
        Endpoint(
            "/api/readings",
            "Salinity and temperature of a stretch of time as few points, with their extremes,"
            " their gaps, and what happened meanwhile.",
            (
                Parameter(
                    "reservoir",
                    OneOf(names),
                    "Of this reservoir.",
                    default=names[0] if names else None,
                ),
                Parameter("from", Moment(), "From here on; six hours before the end if left out."),
                Parameter("to", Moment(), "Before this; now if left out."),
                Parameter(
                    "points", Whole(10, MOST_POINTS), "About so many at most.", default=USUAL_POINTS
                ),
                Parameter(
                    "step_s", Whole(1, STEPS_S[-1]), "Not closer together than this, s.", default=1
                ),
            ),
            READINGS,
            _Readings(sources).find,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Readings:
    sources: Sources

    def find(self, request: Request, asked: Arguments) -> JSON:
        view = self.sources.view(request)
        name = asked["reservoir"]
        return read_trend(self.sources, view, question_of(asked, str(name or ""), view.at))


def read_trend(sources: Sources, view: StationView, question: Question) -> dict[str, JSON]:
    """Return the answer to a question.

    Raises:
        NotThereError: There is no such reservoir.
        JournalError: The journal cannot be read.
    """
    found = [each for each in view.reservoirs if each.settings.name == question.reservoir]
    if not found:
        raise NotThereError("no reservoir is configured")
    trend = sources.trend.read(question)
    events = events_of(sources.reader, [each.seq for each in trend.marks])
    return trend_answer(found[0], trend, events)


def question_of(asked: Arguments, reservoir: str, now: datetime) -> Question:
    """Return what is asked for.

    Raises:
        WrongArgumentError: The stretch ends before it begins.
    """
    until = asked["to"] if isinstance(asked["to"], datetime) else now
    since = asked["from"] if isinstance(asked["from"], datetime) else until - USUAL_SPAN
    if since >= until:
        raise WrongArgumentError("from: it must be before 'to', which is now if left out")
    points, step = asked["points"], asked["step_s"]
    return Question(
        reservoir,
        to_ms(since),
        to_ms(until),
        points if isinstance(points, int) else USUAL_POINTS,
        step if isinstance(step, int) else 1,
    )


def _described(schema: Schema, words: str) -> Schema:
    return {**schema, "description": words}


WHOLE: Schema = {"type": "integer"}
MAYBE = list_of(or_null(NUMBER))
COLUMNS = whole_object(
    {
        "time_ms": _described(list_of(WHOLE), "Moment of a reading in the step, ms since 1970."),
        "salinity_low": _described(
            MAYBE, "Practical salinity; null where there was no usable one."
        ),
        "salinity_mean": MAYBE,
        "salinity_high": MAYBE,
        "salinity_u": _described(MAYBE, "Mean standard uncertainty."),
        "temperature_low_C": MAYBE,
        "temperature_mean_C": MAYBE,
        "temperature_high_C": MAYBE,
        "flag": _described(list_of(or_null(WHOLE)), "The worst QARTOD flag of the usable ones."),
        "readings": _described(list_of(WHOLE), "How many there were in all."),
        "unusable": list_of(WHOLE),
        "calibrating": _described(list_of(WHOLE), "Of a probe out of the water for calibration."),
    }
)
GAP = whole_object({"from": TIME, "to": TIME, "unusable": WHOLE, "calibrating": WHOLE})
MARK_KIND: Schema = {"type": "string", "enum": [*map(str, MarkKind)]}
MARK = whole_object(
    {
        "time": TIME,
        "kind": MARK_KIND,
        "text": TEXT,
        "batch": TEXT,
        "seq": WHOLE,
    }
)
FORECAST = whole_object(
    {
        "ready_at": TIME,
        "ready_low": or_null(TIME),
        "ready_high": or_null(TIME),
        "salinity": or_null(NUMBER),
        "salinity_low": or_null(NUMBER),
        "salinity_high": or_null(NUMBER),
        "note": TEXT,
    }
)
READINGS: Schema = whole_object(
    {
        "reservoir": TEXT,
        "label": TEXT,
        "from": TIME,
        "to": TIME,
        "step_s": WHOLE,
        "source": _described(TEXT, "Where the points come from."),
        "tolerance": whole_object({"target_ppt": NUMBER, "low_ppt": NUMBER, "high_ppt": NUMBER}),
        "columns": COLUMNS,
        "gaps": _described(list_of(GAP), "Times without a usable reading."),
        "gaps_left_out": _described(WHOLE, "Shorter ones besides."),
        "marks": list_of(MARK),
        "marks_left_out": _described(list_of(MARK_KIND), "Kinds of which there are too many."),
        "phases": _described(
            list_of(whole_object({"time": TIME, "phase": TEXT})),
            "The first is the one before `from`; empty where there are too many to be told apart.",
        ),
        "complete_from": _described(
            or_null(TIME), "What is older is still being prepared; null where nothing is."
        ),
        "missing": _described(
            or_null(whole_object({"from": TIME, "to": TIME})),
            "Not prepared yet, before the newest.",
        ),
        "forecast": or_null(FORECAST),
    }
)
