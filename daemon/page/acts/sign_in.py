"""Signing in and out, and the name under which a browser acts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import TYPE_CHECKING

from daemon.journal.command_format import BadRequestError
from daemon.journal.freshness import span
from daemon.page.acts.access import Access, TokenAccess
from daemon.page.acts.form_data import body_of, fields_of, foreign, own_path
from daemon.page.acts.forms import NAME, FilledField
from daemon.page.acts.names import BAD_NAME, clean_name, name_cookie
from daemon.page.acts.refusal import refusal_headers
from daemon.page.acts.sessions import same_secret
from daemon.page.frame import Frame, Page, framed
from daemon.page.request import Request
from daemon.page.response import Response, text_response
from daemon.page.routes import Route

if TYPE_CHECKING:
    from wsgiref.types import WSGIEnvironment

SIGN_IN, SIGN_OUT, NAME_PAGE = "/sign-in", "/sign-out", "/name"
FROM_ELSEWHERE = "this was sent from another page than this one, and is not taken"
OLD_FORM = "this form is old; go back, load the page again and send it once more"
LOGIN_NAME = "the name in the record is that of your login, and is not changed here"
STYLES, SCRIPTS = ("acts.css",), ("acts.js",)

_OPTIONAL_NAME = replace(NAME, required=False)


@dataclass(frozen=True, slots=True)
class SignIn:
    """Answers what is asked of signing in and of the name.

    Attributes:
        access: Who may act.
        frame: What is about every page.
    """

    access: Access
    frame: Frame

    def routes(self) -> tuple[Route, ...]:
        """Return the routes; those of signing in only where a token is asked for."""
        name = Route(NAME_PAGE, self.name, ("GET", "POST"), listed=False)
        if not isinstance(self.access, TokenAccess):
            return (name,)
        door = TokenDoor(self.access, self.frame)
        return (
            name,
            Route(SIGN_IN, door.sign_in, ("GET", "POST"), listed=False),
            Route(SIGN_OUT, door.sign_out, ("POST",), listed=False),
        )

    def name(self, request: Request, _: Mapping[str, str]) -> Response:
        """Show the name that the browser remembers, and have it remember another."""
        visitor = self.access.browser(request.environ)
        if request.method != "POST":
            return self._page(request, own_path(request.value("here")), visitor.name)
        posted = _fields(request.environ)
        if fault := refusal(self.access, request.environ, posted):
            return fault
        if visitor.logged_in:
            return text_response(HTTPStatus.FORBIDDEN, LOGIN_NAME)
        here, typed = own_path(posted.get("here", "")), posted.get("who", "")
        name = clean_name(typed)
        if not name:
            error = BAD_NAME if typed else "this is missing"
            return self._page(request, here, typed, HTTPStatus.BAD_REQUEST, error)
        return _go(here, name_cookie(name, secure=self.access.over_https(request.environ)))

    def _page(
        self,
        request: Request,
        here: str,
        typed: str,
        status: HTTPStatus = HTTPStatus.OK,
        error: str = "",
    ) -> Response:
        visitor = self.access.browser(request.environ)
        return framed(
            self.frame,
            Page("name.html", "Your name", styles=STYLES, scripts=SCRIPTS),
            status,
            here=here,
            who=visitor,
            name=FilledField(NAME, typed, error),
        )


@dataclass(frozen=True, slots=True)
class TokenDoor:
    """Answers what is asked of signing in with a token.

    Attributes:
        access: Knows the token.
        frame: What is about every page.
    """

    access: TokenAccess
    frame: Frame

    def sign_in(self, request: Request, _: Mapping[str, str]) -> Response:
        """Show where the token is given, and begin a session where it is right."""
        environ = request.environ
        if request.method != "POST":
            return self._page(request, own_path(request.value("here")))
        if foreign(environ):
            return text_response(HTTPStatus.FORBIDDEN, FROM_ELSEWHERE)
        try:
            posted = fields_of(body_of(environ))
        except BadRequestError as exc:
            return text_response(HTTPStatus.BAD_REQUEST, str(exc))
        here, name = own_path(posted.get("here", "")), clean_name(posted.get("who", ""))
        judged = self.access.judge(posted.get("token", ""), environ)
        if not judged.may_act:
            page = self._page(request, here, judged.status, judged.why)
            return replace(page, more=refusal_headers(judged.status))
        cookies = [self.access.begin(environ)]
        if name:
            cookies.append(name_cookie(name, secure=self.access.over_https(environ)))
        return _go(here, *cookies)

    def sign_out(self, request: Request, _: Mapping[str, str]) -> Response:
        """End the session."""
        environ = request.environ
        if fault := refusal(self.access, environ, _fields(environ)):
            return fault
        return _go("/", self.access.end(environ))

    def _page(
        self,
        request: Request,
        here: str,
        status: HTTPStatus = HTTPStatus.OK,
        error: str = "",
    ) -> Response:
        visitor = self.access.browser(request.environ)
        return framed(
            self.frame,
            Page("sign_in.html", "Sign in", styles=STYLES, scripts=SCRIPTS),
            status,
            here=here,
            who=visitor,
            error=error,
            lasts=span(self.access.lasts_s),
            https=self.access.over_https(request.environ),
            name=FilledField(_OPTIONAL_NAME, visitor.name),
        )


def refusal(access: Access, environ: WSGIEnvironment, posted: Mapping[str, str]) -> Response | None:
    """Return why a form is not taken; None where it is of a page of ours, for this browser."""
    if foreign(environ):
        return text_response(HTTPStatus.FORBIDDEN, FROM_ELSEWHERE)
    visitor = access.browser(environ)
    if not visitor.may_act:
        return text_response(visitor.status, visitor.why, refusal_headers(visitor.status))
    if not same_secret(posted.get("token", ""), visitor.form_token):
        return text_response(HTTPStatus.FORBIDDEN, OLD_FORM)
    return None


def _fields(environ: WSGIEnvironment) -> dict[str, str]:
    """Return the fields of a form; none where it is no form."""
    try:
        return fields_of(body_of(environ))
    except BadRequestError:
        return {}


def _go(here: str, *cookies: tuple[str, str]) -> Response:
    headers = (("Location", here), *cookies)
    return text_response(HTTPStatus.SEE_OTHER, f"go on at {here}", headers)
