"""Who may act over the page is configured in one way, and whole, or nothing starts."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import ConfigError, Page, parse
from tests.parts.configurations import configuration

FILE = Path("/etc/brinewright/brinewright.toml")
OPEN_LAN = 'listen = "0.0.0.0:8407"\ncommands = ["batch.use"]\n'
TOKEN = 'token_file = "page-token"\n'
PROXY = 'login_header = "X-Remote-User"\ntrusted_proxies = ["10.20.0.0/28", "::1"]\n'


def page(lines: str) -> Page:
    """The section of the page with some lines in it."""
    return parse(configuration(f"[page]\n{lines}"), FILE).page


@pytest.mark.parametrize("lines", [OPEN_LAN + TOKEN, OPEN_LAN + PROXY])
def test_with_a_token_or_a_login_commands_may_come_from_elsewhere(lines: str) -> None:
    """On any address; without either only on one of this machine alone."""
    assert ("0.0.0.0", ("batch.use",)) == (page(lines).host, page(lines).commands)  # noqa: S104
    assert ("batch.use",) == page('commands = ["batch.use"]').commands


def test_a_token_lies_beside_the_configuration() -> None:
    """As every other secret; a browser stays signed in for a month."""
    settings = page(TOKEN)

    assert (Path("/etc/brinewright/page-token"), 30.0) == (
        settings.token_file, settings.session_days,
    )  # fmt: skip


@pytest.mark.parametrize(
    "lines, words",
    [
        (
            OPEN_LAN,
            "page.commands = ['batch.use'] cannot be sent over '0.0.0.0:8407': nobody knows",
        ),
        (TOKEN + PROXY, "page.login_header = 'X-Remote-User' and token_file are two ways"),
        (
            'login_header = "X-Remote-User"\n',
            "page.login_header = 'X-Remote-User' needs trusted_proxies",
        ),
        (
            'trusted_proxies = ["::1"]\n',
            "page.trusted_proxies = ['::1'] needs login_header or token_file",
        ),
        ("session_days = 3\n", "page.session_days = 3 needs token_file beside it"),
        (TOKEN + "session_days = 0\n", "a number from 0.01 to 366 days"),
        (TOKEN + 'trusted_proxies = ["0.0.0.0/0"]\n', "is every address; name that of the proxy"),
        (TOKEN + 'trusted_proxies = ["proxy.lan"]\n', "is no address and no network"),
        (TOKEN + 'trusted_proxies = ["10.0.0.1/8"]\n', "is no address and no network"),
        ('login_header = "X_Remote_User"\n', "letters, digits and hyphens"),
        ('login_header = "Cookie"\n', "for something else"),
        ('login_header = "Sec-Fetch-Site"\n', "for something else"),
        ('login_header = "X-Forwarded-For"\n', "for something else"),
    ],
)
def test_half_a_way_is_refused_with_what_is_missing(lines: str, words: str) -> None:
    """In a sentence that names the key."""
    with pytest.raises(ConfigError) as exc:
        page(lines)

    assert words in str(exc.value)
