"""What a browser wants to see of the past: which reservoir, and which stretch of time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.page.api.endpoint import Moment
from daemon.printable import printable

if TYPE_CHECKING:
    from daemon.page.request import Request
    from daemon.page.view import StationView


@dataclass(frozen=True, slots=True)
class Span:
    """A length of time that is offered.

    Attributes:
        key: In addresses.
        words: For people.
        length: How long.
    """

    key: str
    words: str
    length: timedelta


SPANS = (
    Span("10min", "10 minutes", timedelta(minutes=10)),
    Span("1h", "1 hour", timedelta(hours=1)),
    Span("6h", "6 hours", timedelta(hours=6)),
    Span("1d", "1 day", timedelta(days=1)),
    Span("1w", "1 week", timedelta(weeks=1)),
    Span("1m", "1 month", timedelta(days=30)),
    Span("1y", "1 year", timedelta(days=365)),
)
USUAL = SPANS[2]
LONGEST_NAME = 60
MOST_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Choice:
    """What is shown.

    Attributes:
        reservoir: Its name; empty where none is configured.
        since: From here on.
        until: Before this.
        live: Whether it ends now, and goes on.
        span: Key of its length, where that is one that is offered; else empty.
        note: What could not be taken of what was wanted; empty where all was.
    """

    reservoir: str
    since: datetime
    until: datetime
    live: bool
    span: str
    note: str = ""

    @property
    def length(self) -> timedelta:
        """How long it is."""
        return self.until - self.since


def choice_of(request: Request, view: StationView) -> Choice:
    """Return what a request wants; what it names wrongly is left at what is usual, and said."""
    names = [each.settings.name for each in view.reservoirs]
    wanted = request.value("reservoir")
    name, note = names[0] if names else "", ""
    if wanted in names:
        name = wanted
    elif wanted:
        shown = f"; {name} is shown" if name else ""
        note = f"there is no reservoir {printable(wanted[:LONGEST_NAME])}{shown}"
    span = _span(request.value("span"))
    since, until = _moment(request.value("from")), _moment(request.value("to"))
    live = until is None or until >= view.at
    if until is None:
        until = view.at
    if since is None or since >= until:
        since = _before(until, span.length)
    key = next((each.key for each in SPANS if each.length == until - since), "")
    return Choice(name, since, until, live, key, note)


def _span(text: str) -> Span:
    """Return the length of a name or of a number of seconds, as "90s"; the usual for another."""
    digits = text.removesuffix("s")
    if digits != text and digits.isascii() and digits.isdigit() and len(digits) <= MOST_DIGITS:
        return Span("", "", timedelta(seconds=max(int(digits), 1)))
    return next((each for each in SPANS if each.key == text), USUAL)


def _moment(text: str) -> datetime | None:
    try:
        return Moment().read(text) if text else None
    except ValueError:
        return None


def _before(moment: datetime, length: timedelta) -> datetime:
    try:
        return moment - length
    except OverflowError:
        return moment
