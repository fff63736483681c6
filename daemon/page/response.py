"""The response to one request."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus

from daemon.page.metrics import plain

TEXT = "text/plain; charset=utf-8"
HTML = "text/html; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Response:
    """Status, body and further headers."""

    status: HTTPStatus
    content_type: str
    body: bytes
    more: tuple[tuple[str, str], ...] = ()


def text_response(
    status: HTTPStatus, sentence: str, more: tuple[tuple[str, str], ...] = ()
) -> Response:
    """Return a sentence as plain text."""
    return Response(status, TEXT, plain(sentence).encode() + b"\n", more)


def html_response(page: str) -> Response:
    """Return a page as HTML."""
    return Response(HTTPStatus.OK, HTML, plain(page).encode())
