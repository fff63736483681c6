"""The page as a WSGI application: reads are answered, everything else is refused.

The name that a browser asks for is checked: a foreign web site can have its own
name point to this machine, and its scripts would then read what is served here.
An address cannot be pointed elsewhere and is always taken.

Source: PEP 3333; RFC 9110; Content Security Policy Level 3 (from memory).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from http import HTTPStatus
from ipaddress import ip_address
from typing import TYPE_CHECKING

from daemon.page.health import health
from daemon.page.metrics import exposition, plain
from daemon.page.present import Present
from daemon.page.status import status_page, style_source

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment

LOOPBACK_NAMES = ("localhost", "localhost.")
TEXT = "text/plain; charset=utf-8"
METHODS = ("GET", "HEAD")

log = logging.getLogger("brinewright.publish")


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said to one request."""

    status: HTTPStatus
    content_type: str
    body: bytes
    more: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Application:
    """Answers requests; safe to be called by several threads.

    Attributes:
        look: Gives what there is to show.
        names: Names that the machine may be called by, besides loopback and addresses.
    """

    look: Callable[[], Present]
    names: frozenset[str] = field(default_factory=frozenset)

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        try:
            answer = self._answer(environ)
        except Exception:  # a fault of ours must be seen here and not by whoever asked
            log.exception("the page: a fault in this program")
            answer = _say(HTTPStatus.INTERNAL_SERVER_ERROR, "a fault in this program; see its log")
        status = f"{answer.status.value} {answer.status.phrase}"
        start_response(status, [*_headers(answer), *answer.more])
        return [b"" if environ.get("REQUEST_METHOD") == "HEAD" else answer.body]

    def _answer(self, environ: WSGIEnvironment) -> Answer:
        if not knows_itself(environ.get("HTTP_HOST", ""), self.names):
            return _say(
                HTTPStatus.MISDIRECTED_REQUEST,
                "this machine does not go by that name; ask by its address, or list the name"
                " under page.names",
            )
        if environ.get("REQUEST_METHOD") not in METHODS:
            allow = (("Allow", ", ".join(METHODS)),)
            return _say(HTTPStatus.METHOD_NOT_ALLOWED, "nothing can be changed here", allow)
        path = environ.get("PATH_INFO", "")
        if path == "/":
            page = plain(status_page(self.look())).encode()
            return Answer(HTTPStatus.OK, "text/html; charset=utf-8", page)
        if path == "/metrics":
            body, content_type = exposition(self.look(), environ.get("HTTP_ACCEPT", ""))
            return Answer(HTTPStatus.OK, content_type, body)
        if path == "/healthz":
            well, sentence = health(self.look())
            return _say(HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE, sentence)
        return _say(HTTPStatus.NOT_FOUND, "there are /, /metrics and /healthz")


def knows_itself(host: str, names: frozenset[str]) -> bool:
    """Return whether a header `Host` names this machine in a way that nobody else controls."""
    name = host.lower()
    if name.startswith("["):
        name = name.partition("]")[0][1:]
    elif name.count(":") == 1:
        name = name.partition(":")[0]
    if name in LOOPBACK_NAMES or name in names:
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _say(status: HTTPStatus, sentence: str, more: tuple[tuple[str, str], ...] = ()) -> Answer:
    return Answer(status, TEXT, plain(sentence).encode() + b"\n", more)


def _headers(answer: Answer) -> list[tuple[str, str]]:
    policy = (
        f"default-src 'none'; style-src {style_source()}; base-uri 'none'; form-action 'none';"
        " frame-ancestors 'none'"
    )
    return [
        ("Content-Type", answer.content_type),
        ("Content-Length", str(len(answer.body))),
        ("Cache-Control", "no-store"),
        ("Content-Security-Policy", policy),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        ("Referrer-Policy", "no-referrer"),
        ("X-Content-Type-Options", "nosniff"),
        ("X-Frame-Options", "DENY"),
    ]
