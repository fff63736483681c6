"""The response to one request."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING

from daemon.journal.payloads import to_json
from daemon.printable import plain

if TYPE_CHECKING:
    from daemon.entries import JSON

TEXT = "text/plain; charset=utf-8"
HTML = "text/html; charset=utf-8"
JSON_TYPE = "application/json"
PROBLEM = "application/problem+json"
"""Source: RFC 9457 (2023)."""
EVENT_STREAM = "text/event-stream"
"""Source: HTML Living Standard, server-sent events (from memory)."""
NEVER_STORED = "no-store"


@dataclass(frozen=True, slots=True)
class Response:
    """Status, body and further headers.

    Attributes:
        status: Of HTTP.
        content_type: Of the body.
        body: Its bytes.
        more: Further headers.
        cache: How long a browser may keep it.
        stream: Name of the live stream that follows the body; empty for none.
    """

    status: HTTPStatus
    content_type: str
    body: bytes
    more: tuple[tuple[str, str], ...] = ()
    cache: str = NEVER_STORED
    stream: str = ""


def text_response(
    status: HTTPStatus, sentence: str, more: tuple[tuple[str, str], ...] = ()
) -> Response:
    """Return a sentence as plain text."""
    return Response(status, TEXT, plain(sentence).encode() + b"\n", more)


def html_response(page: str, status: HTTPStatus = HTTPStatus.OK) -> Response:
    """Return a page as HTML."""
    return Response(status, HTML, plain(page).encode())


def json_response(value: JSON, status: HTTPStatus = HTTPStatus.OK) -> Response:
    """Return a value as JSON."""
    return Response(status, JSON_TYPE, to_json(value) + b"\n")


def json_text(value: JSON) -> str:
    """Return a value as JSON on one line."""
    return to_json(value).decode()


def problem_response(status: HTTPStatus, sentence: str) -> Response:
    """Return what is wrong with a program's request."""
    found: dict[str, JSON] = {
        "type": "about:blank",
        "title": status.phrase,
        "status": status.value,
        "detail": plain(sentence),
    }
    return Response(status, PROBLEM, to_json(found) + b"\n")
