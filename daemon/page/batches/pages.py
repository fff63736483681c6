"""The pages of batches and lots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any
from urllib.parse import urlencode

from daemon.journal.errors import JournalError, JournalMissingError
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.page.batches.batch_source import BatchSource
from daemon.page.batches.batch_words import BatchLine, curve_rows, line_of
from daemon.page.batches.lot_words import lot_view
from daemon.page.batches.record_view import record_view
from daemon.page.frame import Page, framed
from daemon.page.request import Request
from daemon.page.response import Response
from daemon.page.routes import Route

HERE = "/batches"
PER_PAGE = 30
MOST_DIGITS = 15
MOST_COMPARED = 8
"""More lines over one another are not told apart, by whatever pattern."""
PATTERNS = ("", "9 5", "2 4", "14 4 2 4", "18 6", "5 5", "14 4 2 4 2 4", "2 9")
"""Dashes and gaps, px: what tells the curves apart besides their letters."""
LETTERS = "ABCDEFGH"
DRAWN: Mapping[str, Any] = {
    "scripts": ("batches.js",),
    "libraries": ("dygraph.js",),
    "styles": ("dygraph.css", "batches.css"),
}


@dataclass(frozen=True, slots=True)
class Compared:
    """One curve of a comparison: its letter, its pattern and its figures."""

    letter: str
    pattern: str
    line: BatchLine
    curve_url: str


def routes(source: BatchSource) -> tuple[Route, ...]:
    """Return the routes of batches and lots."""
    pages = _Pages(source)
    return (
        Route("/batches", pages.batches),
        Route("/batches/compare", pages.compare),
        Route("/batches/{batch}", pages.record, listed=False),
        Route("/lots", pages.lots),
    )


@dataclass(frozen=True, slots=True)
class _Pages:
    source: BatchSource

    def batches(self, request: Request, _: Mapping[str, str]) -> Response:
        before, reservoir = _number(request.value("before")), request.value("reservoir")
        try:
            page = self.source.page(before or None, PER_PAGE, reservoir or None)
            lines = self._lines(page.batches, request)
        except JournalError as exc:
            return self._unread(exc)

        def url(number: int | None) -> str:
            given = {"before": str(number or ""), "reservoir": reservoir}
            query = urlencode({name: value for name, value in given.items() if value})
            return f"{HERE}?{query}" if query else HERE

        return framed(
            self.source.sources.frame,
            Page("batches.html", "Batches", HERE, styles=("batches.css",)),
            lines=lines,
            first=page.first,
            count=page.count,
            newer=None if page.newer is None else url(page.newer),
            older=None if page.older is None else url(page.older),
            reservoir=reservoir,
            reservoirs=[(each.name, each.title) for each in self.source.sources.settings],
            most=MOST_COMPARED,
        )

    def record(self, request: Request, parameters: Mapping[str, str]) -> Response:
        batch = parameters["batch"]
        try:
            record = self.source.record(batch)
            if record is None:
                return self._missing(batch)
            view = record_view(self.source, record, request)
        except JournalError as exc:
            return self._unread(exc)
        page = Page("batch.html", f"Batch {batch}", HERE, **DRAWN)
        return framed(self.source.sources.frame, page, view=view)

    def compare(self, request: Request, _: Mapping[str, str]) -> Response:
        wanted = [*dict.fromkeys(request.query.get("batch", ()))]
        try:
            found = [self.source.record(batch) for batch in wanted[:MOST_COMPARED]]
            records = [each for each in found if each is not None]
            lines = self._lines(records, request)
            rows = curve_rows([self.source.curve(each) for each in records])
        except JournalError as exc:
            return self._unread(exc)
        known = {each.id for each in records}
        return framed(
            self.source.sources.frame,
            Page("batches_compare.html", "Batches over one another", HERE, **DRAWN),
            compared=[
                Compared(letter, pattern, line, f"/api{line.url}/curve")
                for letter, pattern, line in zip(LETTERS, PATTERNS, lines, strict=False)
            ],
            rows=rows,
            unknown=[batch for batch in wanted[:MOST_COMPARED] if batch not in known],
            left_out=len(wanted) - len(wanted[:MOST_COMPARED]),
            most=MOST_COMPARED,
        )

    def lots(self, _: Request, __: Mapping[str, str]) -> Response:
        try:
            found = self.source.histories()
        except JournalError as exc:
            return self._unread(exc)
        zone = self.source.sources.zone
        return framed(
            self.source.sources.frame,
            Page("lots.html", "Lots of salt mix", HERE, **DRAWN),
            lots=[lot_view(each, zone) for each in found],
        )

    def _lines(self, records: Sequence[BatchRecord], request: Request) -> list[BatchLine]:
        present, zone = self.source.present(request), self.source.sources.zone
        return [line_of(each, present, self.source.title(each.reservoir), zone) for each in records]

    def _missing(self, batch: str) -> Response:
        return framed(
            self.source.sources.frame,
            Page("batch_missing.html", "No such batch", HERE, styles=("batches.css",)),
            HTTPStatus.NOT_FOUND,
            head="There is no such batch",
            sentence=f"The journal has no batch {batch[:100]!r}.",
        )

    def _unread(self, exc: JournalError) -> Response:
        missing = isinstance(exc, JournalMissingError)
        return framed(
            self.source.sources.frame,
            Page("batch_missing.html", "Batches", HERE, styles=("batches.css",)),
            HTTPStatus.OK if missing else HTTPStatus.SERVICE_UNAVAILABLE,
            head="There is no batch yet" if missing else "The journal cannot be read",
            sentence="Nothing has been measured yet." if missing else str(exc),
        )


def _number(text: str) -> int:
    """Return the number in an address; 0 for what is none, which shows the newest."""
    fits = text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS
    return int(text) if fits else 0
