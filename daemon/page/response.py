"""What is said to one request."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus

from daemon.page.metrics import plain

TEXT = "text/plain; charset=utf-8"
HTML = "text/html; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Answer:
    """Status, body and what the headers say besides."""

    status: HTTPStatus
    content_type: str
    body: bytes
    more: tuple[tuple[str, str], ...] = ()


def say(status: HTTPStatus, sentence: str, more: tuple[tuple[str, str], ...] = ()) -> Answer:
    """Return a sentence as plain text."""
    return Answer(status, TEXT, plain(sentence).encode() + b"\n", more)


def show(page: str) -> Answer:
    """Return a page."""
    return Answer(HTTPStatus.OK, HTML, plain(page).encode())
