"""What a program may ask: one table from which requests are checked, answered and described."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from http import HTTPStatus
from typing import TypeAlias

from daemon.entries import JSON
from daemon.errors import BrinewrightError
from daemon.journal.errors import JournalError
from daemon.page.request import Request
from daemon.page.response import Response, json_response, problem_response
from daemon.page.routes import Route

Schema: TypeAlias = dict[str, JSON]
Value: TypeAlias = str | int | datetime | tuple[str, ...] | None
Arguments: TypeAlias = Mapping[str, Value]
"""By name: each parameter of an endpoint, with its default or None where it was left out."""

EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9000, 1, 1, tzinfo=UTC)
MOST_DIGITS = 15


class NotThereError(BrinewrightError):
    """What was asked for is not there; the sentence says what."""


class WrongArgumentError(BrinewrightError):
    """A parameter cannot be taken; the sentence says which, and what is allowed."""


@dataclass(frozen=True, slots=True)
class Text:
    """Any text: it is only compared, and answers escape what cannot be printed."""

    longest: int = 200

    def read(self, text: str) -> str:
        """Return a text.

        Raises:
            ValueError: It is too long.
        """
        if len(text) > self.longest:
            raise ValueError(f"a text of 1 to {self.longest} signs")
        return text

    def schema(self) -> Schema:
        """Return its JSON Schema."""
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number within limits."""

    low: int
    high: int

    def read(self, text: str) -> int:
        """Return a number.

        Raises:
            ValueError: It is none, or beyond the limits.
        """
        digits = text.removeprefix("-")
        fits = digits.isascii() and digits.isdigit() and len(digits) <= MOST_DIGITS
        if not fits or not self.low <= int(text) <= self.high:
            raise ValueError(f"a whole number from {self.low} to {self.high}")
        return int(text)

    def schema(self) -> Schema:
        """Return its JSON Schema."""
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True, slots=True)
class Moment:
    """A date and time with its zone."""

    def read(self, text: str) -> datetime:
        """Return a moment, UTC; one before or after all records is the nearest that may be one.

        Raises:
            ValueError: It is none, or has no zone.
        """
        try:
            # A blank is what becomes of the + of a zone that was not encoded.
            found = datetime.fromisoformat(text.replace(" ", "+").upper())
        except ValueError:
            found = EARLIEST.replace(tzinfo=None)
        if found.tzinfo is None:
            raise ValueError("a date and time with its zone such as 2031-05-04T09:00:00Z")
        if not EARLIEST.year < found.year < LATEST.year:
            return EARLIEST if found.year <= EARLIEST.year else LATEST
        return found.astimezone(UTC)

    def schema(self) -> Schema:
        """Return its JSON Schema."""
        return {"type": "string", "format": "date-time"}


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of some words."""

    words: tuple[str, ...]

    def read(self, text: str) -> str:
        """Return a word.

        Raises:
            ValueError: It is none of them.
        """
        if text not in self.words:
            raise ValueError(f"one of {', '.join(self.words)}" if self.words else "there is none")
        return text

    def schema(self) -> Schema:
        """Return its JSON Schema."""
        return {"type": "string", "enum": [*self.words]}


@dataclass(frozen=True, slots=True)
class Several:
    """Some texts, each by a parameter of the same name."""

    most: int
    kind: Text = Text()

    def schema(self) -> Schema:
        """Return its JSON Schema."""
        return {"type": "array", "items": self.kind.schema(), "maxItems": self.most}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of an endpoint.

    Attributes:
        name: Its name.
        kind: What it may be.
        description: What it is for, in a sentence.
        required: Whether it has to be given.
        default: What it is when left out.
        place: "query" or "path".
    """

    name: str
    kind: Text | Whole | Moment | OneOf | Several
    description: str
    required: bool = False
    default: str | int | None = None
    place: str = "query"

    def read(self, given: Sequence[str]) -> Value:
        """Return what was given, checked.

        Raises:
            WrongArgumentError: It is not allowed, is missing, or came more often than it may.
        """
        if isinstance(self.kind, Several):
            if len(given) > self.kind.most:
                raise WrongArgumentError(f"{self.name}: at most {self.kind.most} are taken")
            return tuple(str(self._one(self.kind.kind, each)) for each in given)
        if len(given) > 1:
            raise WrongArgumentError(f"{self.name}: it was given more than once")
        if not given:
            if self.required:
                raise WrongArgumentError(f"{self.name}: it is missing; {self.description}")
            return self.default
        return self._one(self.kind, given[0])

    def _one(self, kind: Text | Whole | Moment | OneOf, text: str) -> str | int | datetime:
        try:
            return kind.read(text)
        except ValueError as exc:
            raise WrongArgumentError(f"{self.name} = {text[:60]!r}: it must be {exc}") from None


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One thing that a program may ask for.

    Attributes:
        path: Below `/api/`; segments such as `{batch}` are parameters of place "path".
        summary: What it gives, in a sentence.
        parameters: What it takes.
        returns: JSON Schema of its answer.
        find: Finds the answer; raises `NotThereError` for what is not there.
    """

    path: str
    summary: str
    parameters: tuple[Parameter, ...]
    returns: Schema
    find: Callable[[Request, Arguments], JSON]

    def route(self) -> Route:
        """Return the route that answers it."""
        return Route(self.path, self.answer)

    def answer(self, request: Request, parameters: Mapping[str, str]) -> Response:
        """Answer a request; what is wrong with it is said as RFC 9457 has it."""
        try:
            return json_response(self.find(request, self._arguments(request, parameters)))
        except WrongArgumentError as exc:
            return problem_response(HTTPStatus.BAD_REQUEST, str(exc))
        except NotThereError as exc:
            return problem_response(HTTPStatus.NOT_FOUND, str(exc))
        except JournalError as exc:
            return problem_response(HTTPStatus.SERVICE_UNAVAILABLE, str(exc))

    def _arguments(self, request: Request, parameters: Mapping[str, str]) -> dict[str, Value]:
        known = {each.name for each in self.parameters if each.place == "query"}
        for name in sorted({*request.query, *request.blanks}):
            if name in request.blanks & known:
                raise WrongArgumentError(f"{name}: it came without a value; leave it out")
            if name not in known:
                allowed = ", ".join(sorted(known)) or "none"
                raise WrongArgumentError(
                    f"{name[:60]!r} is no parameter here; there are: {allowed}"
                )
        return {
            each.name: each.read(
                (parameters[each.name],)
                if each.place == "path"
                else request.query.get(each.name, ())
            )
            for each in self.parameters
        }
