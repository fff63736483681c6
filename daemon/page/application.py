"""The page as a WSGI application: finds who answers a request, and says what a browser may do.

The name in a request is checked: a foreign web site can have its own name point to this
machine, and its scripts would then read what is served here.  An address cannot be pointed
elsewhere and is always taken.

Source: PEP 3333; RFC 9110; Content Security Policy Level 3 (from memory).
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from ipaddress import ip_address
from typing import TYPE_CHECKING

from daemon.page.request import BadQueryError, path_in, request_from
from daemon.page.response import Response, problem_response, text_response
from daemon.page.routes import Route, find_route
from daemon.page.serving.channel import FOLLOW

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment

LOOPBACK_NAMES = ("localhost", "localhost.")
API = "/api/"
READING = ("GET", "HEAD")

log = logging.getLogger("brinewright.publish")


@dataclass(frozen=True, slots=True)
class Application:
    """Answers requests; safe to be called by several threads.

    Attributes:
        routes: What there is, an address of its own before a pattern that fits it too.
        names: Names that the machine may be called by, besides loopback and addresses.
        has_forms: Whether the page takes commands.
    """

    routes: tuple[Route, ...]
    names: frozenset[str] = field(default_factory=frozenset)
    has_forms: bool = False

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer one request."""
        try:
            response = self._respond(environ)
        except Exception:  # a fault of ours goes into our log and not to the browser
            log.exception("the page: a fault in this program")
            response = text_response(
                HTTPStatus.INTERNAL_SERVER_ERROR, "a fault in this program; see its log"
            )
        status = f"{response.status.value} {response.status.phrase}"
        headers = [*_headers(response, has_forms=self.has_forms), *response.more]
        if environ.get("REQUEST_METHOD") == "HEAD":
            start_response(status, [*headers, _length(response)])
            return [b""]
        if response.stream and FOLLOW in environ:
            environ[FOLLOW](response.stream)
            start_response(status, headers)
            # Of unknown length, so not a list of one, whose length the server would say.
            return iter((response.body,))
        start_response(status, [*headers, _length(response)])
        return [response.body]

    def _respond(self, environ: WSGIEnvironment) -> Response:
        if not knows_itself(environ.get("HTTP_HOST", ""), self.names):
            return text_response(
                HTTPStatus.MISDIRECTED_REQUEST,
                "this machine does not go by that name; ask by its address, or list the name"
                " under page.names",
            )
        path, method = path_in(environ), environ.get("REQUEST_METHOD", "")
        match = find_route(self.routes, path)
        if match is None and method not in READING:
            return _refused(path, READING)
        if match is None:
            return _wrong(path, HTTPStatus.NOT_FOUND, self._what_there_is())
        methods = match.route.all_methods
        if method not in methods:
            return _refused(path, methods)
        try:
            request = request_from(environ)
        except BadQueryError as exc:
            return _wrong(path, HTTPStatus.BAD_REQUEST, str(exc))
        return match.route.answer(request, match.parameters)

    def _what_there_is(self) -> str:
        listed = [each.path for each in self.routes if each.listed and "{" not in each.path]
        return f"there are {', '.join(sorted(listed))}"


def knows_itself(host: str, names: frozenset[str]) -> bool:
    """Return whether a header `Host` is a name of this machine that no other site controls."""
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


def _wrong(path: str, status: HTTPStatus, sentence: str) -> Response:
    """Return what is wrong with a request, to a program in its own form."""
    if path.startswith(API):
        return problem_response(status, sentence)
    return text_response(status, sentence)


def _refused(path: str, methods: Iterable[str]) -> Response:
    """Return that an address does not take a method, with those that it takes."""
    found = _wrong(path, HTTPStatus.METHOD_NOT_ALLOWED, "nothing can be changed here")
    return replace(found, more=(("Allow", ", ".join(methods)),))


def _length(response: Response) -> tuple[str, str]:
    return "Content-Length", str(len(response.body))


def _headers(response: Response, *, has_forms: bool) -> list[tuple[str, str]]:
    # Where nothing can be changed, forms still choose what is shown.
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self';"
        " connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return [
        ("Content-Type", response.content_type),
        ("Cache-Control", response.cache),
        ("Content-Security-Policy", policy),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        # Without a referrer a browser would not say that our own form is ours (Origin).
        ("Referrer-Policy", "same-origin" if has_forms else "no-referrer"),
        ("X-Content-Type-Options", "nosniff"),
        ("X-Frame-Options", "DENY"),
    ]
