"""The page as a WSGI application: reads are answered, and commands where they are configured.

The name in a request is checked: a foreign web site can have its own name point to this
machine, and its scripts would then read what is served here.  An address cannot be pointed
elsewhere and is always taken.

Source: PEP 3333; RFC 9110; Content Security Policy Level 3 (from memory).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from http import HTTPStatus
from ipaddress import ip_address
from typing import TYPE_CHECKING

from daemon.html.environment import style_source
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.forms import act_page
from daemon.page.healthz import health
from daemon.page.metrics import exposition
from daemon.page.now.status_page import status_page
from daemon.page.response import Response, html_response, text_response
from daemon.page.view import LatestView, StationView

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment

LOOPBACK_NAMES = ("localhost", "localhost.")
METHODS = ("GET", "HEAD")
REQUESTED_S = "brinewright.requested_s"
"""What the server calls the moment at which a request came, monotonic s."""
COMMAND, ACT = "/command", "/act"

log = logging.getLogger("brinewright.publish")


@dataclass(frozen=True, slots=True)
class Application:
    """Answers requests; safe to be called by several threads.

    Attributes:
        read_view: Gives the view.
        names: Names that the machine may be called by, besides loopback and addresses.
        desk: Takes commands; None where none are configured.
    """

    read_view: Callable[[], StationView]
    names: frozenset[str] = field(default_factory=frozenset)
    desk: CommandDesk | None = None
    _latest: LatestView = field(default_factory=LatestView, init=False)

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
        start_response(
            status, [*_headers(response, has_forms=self.desk is not None), *response.more]
        )
        return [b"" if environ.get("REQUEST_METHOD") == "HEAD" else response.body]

    def _respond(self, environ: WSGIEnvironment) -> Response:
        if not knows_itself(environ.get("HTTP_HOST", ""), self.names):
            return text_response(
                HTTPStatus.MISDIRECTED_REQUEST,
                "this machine does not go by that name; ask by its address, or list the name"
                " under page.names",
            )
        path, method = environ.get("PATH_INFO", ""), environ.get("REQUEST_METHOD")
        if self.desk is not None and path == COMMAND and method == "POST":
            return self.desk.handle_post(environ)
        if method not in METHODS:
            posts = ("POST",) if self.desk is not None and path == COMMAND else ()
            allow = (("Allow", ", ".join(METHODS + posts)),)
            return text_response(
                HTTPStatus.METHOD_NOT_ALLOWED, "nothing can be changed here", allow
            )
        if path == "/metrics":
            body, content_type = exposition(self._view(environ), environ.get("HTTP_ACCEPT", ""))
            return Response(HTTPStatus.OK, content_type, body)
        if path == "/healthz":
            well, sentence = health(self._view(environ))
            return text_response(
                HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE, sentence
            )
        return self._page(path, environ)

    def _page(self, path: str, environ: WSGIEnvironment) -> Response:
        desk = self.desk
        if path == "/":
            banner = None if desk is None else desk.banner(environ)
            return html_response(status_page(self._view(environ), banner, acts=desk is not None))
        if path == ACT and desk is not None:
            return html_response(
                act_page(self._view(environ), desk.allowed, desk.secret, desk.make_id)
            )
        if path == COMMAND and desk is not None:
            return desk.answer(environ)
        more = "" if desk is None else f", {ACT} and {COMMAND}"
        return text_response(HTTPStatus.NOT_FOUND, f"there are /, /metrics and /healthz{more}")

    def _view(self, environ: WSGIEnvironment) -> StationView:
        return self._latest.since(environ.get(REQUESTED_S, float("inf")), self.read_view)


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


def _headers(response: Response, *, has_forms: bool) -> list[tuple[str, str]]:
    own = "'self'" if has_forms else "'none'"
    policy = (
        f"default-src 'none'; style-src {style_source()}; base-uri 'none'; form-action {own};"
        " frame-ancestors 'none'"
    )
    return [
        ("Content-Type", response.content_type),
        ("Content-Length", str(len(response.body))),
        ("Cache-Control", "no-store"),
        ("Content-Security-Policy", policy),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        # Without a referrer a browser would not say that our own form is ours (Origin).
        ("Referrer-Policy", "same-origin" if has_forms else "no-referrer"),
        ("X-Content-Type-Options", "nosniff"),
        ("X-Frame-Options", "DENY"),
    ]
