"""The page of the trend: chart, and the same in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from daemon.journal.errors import JournalError
from daemon.journal.payloads import iso_time
from daemon.journal.rows import to_ms
from daemon.journal.trend.marked_events import events_of
from daemon.journal.trend.trend import Question
from daemon.page.frame import Page, framed, template
from daemon.page.response import html_response
from daemon.page.routes import Route
from daemon.page.trend.choice import SPANS, Choice, choice_of
from daemon.page.trend.endpoints import MOST_POINTS, USUAL_POINTS
from daemon.page.trend.trend_words import ROWS, TrendWords, shifted, trend_words

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot
    from daemon.page.request import Request
    from daemon.page.response import Response
    from daemon.page.sources import Sources
    from daemon.page.view import StationView

PAGE = Page(
    "trend.html",
    "Trend",
    here="/trend",
    libraries=("dygraph.js",),
    scripts=("trend.js",),
    styles=("trend.css",),
)
NO_RESERVOIR = "no reservoir is configured"


def routes(sources: Sources) -> tuple[Route, ...]:
    """Return the routes of the trend: the page, and the part of it that is words."""
    pages = _Pages(sources)
    return (Route("/trend", pages.page), Route("/trend/words", pages.words, listed=False))


@dataclass(frozen=True, slots=True)
class _Pages:
    sources: Sources

    def page(self, request: Request, _: Mapping[str, str]) -> Response:
        view = self.sources.view(request)
        choice = choice_of(request, view)
        words, trouble = self._words(view, choice, USUAL_POINTS)
        return framed(
            self.sources.frame,
            PAGE,
            choice=choice,
            words=words,
            trouble=trouble,
            zone=str(view.zone),
            at=iso_time(view.at),
            reservoirs=[
                (each.settings.name, each.settings.title, each.settings.name == choice.reservoir)
                for each in view.reservoirs
            ],
            **_addresses(choice, view),
        )

    def words(self, request: Request, _: Mapping[str, str]) -> Response:
        view = self.sources.view(request)
        points = request.value("points")
        known = points.isascii() and points.isdigit() and len(points) < len(str(MOST_POINTS)) + 1
        wanted = min(max(int(points), ROWS), MOST_POINTS) if known else USUAL_POINTS
        words, trouble = self._words(view, choice_of(request, view), wanted)
        text = template("trend_words.html").render(words=words, trouble=trouble)
        return html_response(text, HTTPStatus.OK)

    def _words(
        self, view: StationView, choice: Choice, points: int
    ) -> tuple[TrendWords | None, str]:
        """Return what is said of a stretch, or why nothing can be."""
        if not choice.reservoir:
            return None, NO_RESERVOIR
        ends = (to_ms(choice.since), to_ms(choice.until))
        try:
            trend = self.sources.trend.read(Question(choice.reservoir, *ends, points))
            coarse = self.sources.trend.read(Question(choice.reservoir, *ends, ROWS))
            events = events_of(self.sources.reader, [each.seq for each in trend.marks])
        except JournalError as exc:
            return None, str(exc)
        snapshot = _present(view, choice) if choice.live else None
        return trend_words(trend, coarse, events, self.sources.zone, snapshot), ""


def _present(view: StationView, choice: Choice) -> ReservoirSnapshot | None:
    """Return the present state of the reservoir that is shown, where it is fresh."""
    return next(
        (
            each.snapshot
            for each in view.reservoirs
            if each.settings.name == choice.reservoir and each.fresh
        ),
        None,
    )


def _addresses(choice: Choice, view: StationView) -> dict[str, Any]:
    """Return where the links lead: other lengths, earlier, later, now."""
    own = {"reservoir": choice.reservoir} if choice.reservoir else {}
    lengths = [
        (each.key, each.words, _address(own | {"span": each.key}), each.key == choice.span)
        for each in SPANS
    ]
    by = choice.length
    earlier = {"from": iso_time(shifted(choice.since, -by)), "to": iso_time(choice.since)}
    later = {"from": iso_time(choice.until), "to": iso_time(shifted(choice.until, by))}
    return {
        "lengths": lengths,
        "earlier": _address(own | earlier),
        "later": "" if choice.until >= view.at else _address(own | later),
        "now": _address(own | ({"span": choice.span} if choice.span else {})),
        "since": iso_time(choice.since),
        "until": iso_time(choice.until),
    }


def _address(values: dict[str, str]) -> str:
    return f"/trend?{urlencode(values)}"
