"""Who may act over the page, and under which name.

Three ways, one of which the configuration chooses: a token that a browser signs in with, a login
that a proxy passes on, or, on an address of this machine alone, nothing.  Where what was chosen
does not work, nobody may act.  Reading is open in each.

Source: RFC 6750 (2012), 2.1 and 3: `Authorization: Bearer`; OWASP Session Management Cheat Sheet
(from memory).
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from threading import Lock
from typing import Protocol

from daemon.page.acts.attempts import Attempts
from daemon.page.acts.cookies import cookie, cookie_value
from daemon.page.acts.form_data import BEARER
from daemon.page.acts.names import remembered_name
from daemon.page.acts.proxies import NoLoginError, Proxies, login
from daemon.page.acts.sessions import Session, SessionKey, key_from, same_secret

DAY_S = 86_400.0
MOST_SIGNED_OUT = 10_000
"""So many sessions that were signed out are remembered until their time is over."""

SIGN_IN_FIRST = "sign in first, with the token of this station"
WRONG_TOKEN = "this is not the token of this station; it stands in the file of page.token_file"  # noqa: S105
NO_TOKEN = "a tool sends the token of page.token_file as 'Authorization: Bearer TOKEN'"  # noqa: S105
TOO_OFTEN = "too many wrong tokens came; wait a minute and try again"
NOT_BY_PROXY = (
    "commands are taken only through the proxy at which people log in (page.trusted_proxies): open"
    " the page there"
)
OPEN = (
    "No password is asked for: whoever uses this machine can send commands, under any name"
    " (page.token_file asks for a token)"
)


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who a request comes from, as far as acts are concerned.

    Attributes:
        status: OK where commands may be sent, else how they are refused.
        why: Why they may not, as a sentence; empty where they may.
        name: That the commands are recorded under; empty where it is still to be typed.
        logged_in: Whether the name is that of a login, and not to be typed.
        form_token: What the forms of this browser carry.
        signs_in: Whether a token is what is missing, or could be given up.
    """

    status: HTTPStatus = HTTPStatus.OK
    why: str = ""
    name: str = ""
    logged_in: bool = False
    form_token: str = field(default="", repr=False)
    signs_in: bool = False

    @property
    def may_act(self) -> bool:
        """Whether commands may be sent."""
        return self.status is HTTPStatus.OK


class Access(Protocol):
    """One way of knowing who may act."""

    @property
    def warning(self) -> str:
        """What whoever may act must know of it, as a sentence; may be empty."""

    def browser(self, environ: Mapping[str, object]) -> Visitor:
        """Return who sits before a browser."""

    def tool(self, environ: Mapping[str, object]) -> Visitor:
        """Return what a tool may do."""

    def over_https(self, environ: Mapping[str, object]) -> bool:
        """Return whether the browser surely spoke https."""


@dataclass(frozen=True, slots=True)
class OpenAccess:
    """Whoever reaches the page may act: for an address of this machine alone."""

    key: SessionKey = field(default_factory=lambda: SessionKey(secrets.token_bytes(32)))
    warning: str = OPEN

    def browser(self, environ: Mapping[str, object]) -> Visitor:
        """Return anybody, under the name that was typed last."""
        return Visitor(name=remembered_name(environ), form_token=self.key.form_token("open"))

    def tool(self, environ: Mapping[str, object]) -> Visitor:  # noqa: ARG002 - any may
        """Return a tool, which says its name itself."""
        return Visitor()

    def over_https(self, environ: Mapping[str, object]) -> bool:  # noqa: ARG002 - not known
        """Return no: what stands in front is not known here."""
        return False


@dataclass(frozen=True, slots=True)
class NoAccess:
    """Nobody may act, as what the configuration asks for cannot be had.

    Attributes:
        why: As a sentence.
    """

    why: str
    warning: str = ""

    def browser(self, environ: Mapping[str, object]) -> Visitor:  # noqa: ARG002 - nobody may
        """Return nobody."""
        return Visitor(HTTPStatus.FORBIDDEN, self.why)

    def tool(self, environ: Mapping[str, object]) -> Visitor:
        """Return nobody."""
        return self.browser(environ)

    def over_https(self, environ: Mapping[str, object]) -> bool:  # noqa: ARG002 - of no matter
        """Return no."""
        return False


@dataclass(frozen=True, slots=True)
class ProxyAccess:
    """Whoever logged in at a proxy may act, under the name of that login.

    Attributes:
        proxies: Whose header counts.
        header: Its name.
        key: Of what the forms carry; new in each process.
    """

    proxies: Proxies
    header: str
    key: SessionKey = field(default_factory=lambda: SessionKey(secrets.token_bytes(32)))
    warning: str = ""

    def browser(self, environ: Mapping[str, object]) -> Visitor:
        """Return who logged in."""
        if not self.proxies.trusted(environ):
            return Visitor(HTTPStatus.FORBIDDEN, NOT_BY_PROXY)
        try:
            name = login(environ, self.header)
        except NoLoginError as exc:
            return Visitor(HTTPStatus.FORBIDDEN, str(exc))
        return Visitor(name=name, logged_in=True, form_token=self.key.form_token(name))

    def tool(self, environ: Mapping[str, object]) -> Visitor:
        """Return who logged in."""
        return self.browser(environ)

    def over_https(self, environ: Mapping[str, object]) -> bool:
        """Return whether the proxy says so."""
        return self.proxies.over_https(environ)


@dataclass(slots=True)
class TokenAccess:
    """Whoever has the token may act: a browser by a session, a tool by the token itself.

    Attributes:
        token: The token.
        cookie_name: Of the session.
        lasts_s: So long a session lasts, s.
        proxies: Whose word on https and on the way of a request counts.
        clock: Unix time, s.
        attempts: What is left of them.
        make_id: Gives 24 hexadecimal digits unlike any other.
    """

    token: str = field(repr=False)
    cookie_name: str = "brinewright-session"
    lasts_s: float = 30 * DAY_S
    proxies: Proxies = field(default_factory=Proxies)
    clock: Callable[[], float] = time.time
    attempts: Attempts = field(default_factory=lambda: Attempts(time.monotonic))
    make_id: Callable[[], str] = lambda: secrets.token_hex(12)
    warning: str = ""
    _key: SessionKey = field(init=False, repr=False)
    _signed_out: dict[str, int] = field(default_factory=dict, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def __post_init__(self) -> None:
        """Derive the key of the sessions."""
        self._key = key_from(self.token)

    def browser(self, environ: Mapping[str, object]) -> Visitor:
        """Return whoever signed in, under the name that was typed last."""
        session = self._session(environ)
        if session is None:
            return Visitor(HTTPStatus.UNAUTHORIZED, SIGN_IN_FIRST, signs_in=True)
        token = self._key.form_token(session.id)
        return Visitor(name=remembered_name(environ), form_token=token, signs_in=True)

    def tool(self, environ: Mapping[str, object]) -> Visitor:
        """Return a tool with the token; others use up what is left of the attempts."""
        given = str(environ.get("HTTP_AUTHORIZATION", ""))
        if not given.lower().startswith(BEARER):
            return Visitor(HTTPStatus.UNAUTHORIZED, NO_TOKEN)
        return self.judge(given[len(BEARER) :].strip(), environ)

    def judge(self, given: str, environ: Mapping[str, object]) -> Visitor:
        """Return whether a token is the one, as far as attempts are left."""
        right = self.attempts.judge(
            self.proxies.source(environ), lambda: same_secret(given, self.token)
        )
        if right is None:
            return Visitor(HTTPStatus.TOO_MANY_REQUESTS, TOO_OFTEN, signs_in=True)
        if not right:
            return Visitor(HTTPStatus.UNAUTHORIZED, WRONG_TOKEN, signs_in=True)
        return Visitor(signs_in=True)

    def over_https(self, environ: Mapping[str, object]) -> bool:
        """Return whether a trusted proxy says so."""
        return self.proxies.over_https(environ)

    def begin(self, environ: Mapping[str, object]) -> tuple[str, str]:
        """Return the header that begins a session."""
        text = self._key.issue(self.make_id(), self.clock())
        return cookie(self.cookie_name, text, int(self.lasts_s), secure=self.over_https(environ))

    def end(self, environ: Mapping[str, object]) -> tuple[str, str]:
        """End a session here, and return the header that has the browser forget it."""
        session = self._session(environ)
        if session is not None:
            self._remember_end(session)
        return cookie(self.cookie_name, "", 0, secure=self.over_https(environ))

    def _session(self, environ: Mapping[str, object]) -> Session | None:
        text = cookie_value(environ, self.cookie_name)
        session = self._key.read(text, self.clock(), self.lasts_s) if text else None
        return None if session is None or session.id in self._signed_out else session

    def _remember_end(self, session: Session) -> None:
        over_s = self.clock() - self.lasts_s
        with self._lock:
            kept = {id_: begin_s for id_, begin_s in self._signed_out.items() if begin_s > over_s}
            kept[session.id] = session.begin_s
            while len(kept) > MOST_SIGNED_OUT:
                kept.pop(next(iter(kept)))
            self._signed_out = kept
