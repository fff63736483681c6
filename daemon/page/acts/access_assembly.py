"""Who may act, from the configuration."""

from __future__ import annotations

import logging
import time

from daemon.config import Page
from daemon.config.page_access import is_loopback
from daemon.page.acts.access import DAY_S, Access, NoAccess, OpenAccess, ProxyAccess, TokenAccess
from daemon.page.acts.attempts import Attempts
from daemon.page.acts.proxies import proxies
from daemon.secret_files import SecretError, read_secret

SHORTEST_TOKEN = 16
"""Least characters of a token: as many as 64 bits at random have as hexadecimal digits."""

log = logging.getLogger("brinewright.publish")


def make_access(settings: Page) -> Access:
    """Return the way that the configuration chooses; what is wrong with it is logged.

    Publishing goes on without its token: messages about alarms must not wait for it.
    """
    if not settings.commands:
        return NoAccess("no commands are allowed over this page (page.commands)")
    trusted = proxies(settings.trusted_proxies)
    if settings.login_header is not None:
        return ProxyAccess(trusted, settings.login_header)
    if settings.token_file is None:
        log.warning(
            "the page takes commands on %s without a password: whoever uses this machine can send"
            " them, under any name; page.token_file asks for a token",
            settings.listen,
        )
        return OpenAccess()
    try:
        token = _token(settings)
    except SecretError as exc:
        log.error("%s; nobody can send commands over the page until it is started again", exc)  # noqa: TRY400 - a sentence for the keeper
        return NoAccess(
            "the token of this station cannot be read, so that nobody can send commands over this"
            " page; the log of publishing says why"
        )
    if not is_loopback(settings.host) and not settings.trusted_proxies:
        log.warning(
            "the page on %s speaks plain HTTP: whoever listens on the network on the way sees the"
            " token; put TLS in front",
            settings.listen,
        )
    return TokenAccess(
        token,
        cookie_name=f"brinewright-session-{settings.port}",  # a browser tells no ports apart
        lasts_s=settings.session_days * DAY_S,
        proxies=trusted,
        attempts=Attempts(time.monotonic, _report),
    )


def _report(count: int, source: str) -> None:
    log.warning(
        "the page refused %d attempt%s with a wrong token, the last from %s",
        count,
        "" if count == 1 else "s",
        source,
    )


def _token(settings: Page) -> str:
    token = read_secret(settings.token_file, "page.token_file") or ""
    if len(token) < SHORTEST_TOKEN or not token.isprintable() or " " in token:
        raise SecretError(
            f"page.token_file: {settings.token_file} must hold a token of at least"
            f" {SHORTEST_TOKEN} characters without blanks; 'openssl rand -hex 16' makes one"
        )
    return token
