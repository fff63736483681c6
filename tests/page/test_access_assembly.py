"""From the configuration to who may act, with a word in the log where that is to be known."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from daemon.config import Page, parse
from daemon.page.acts.access import NoAccess, OpenAccess, ProxyAccess, TokenAccess
from daemon.page.acts.access_assembly import make_access
from tests.parts.configurations import configuration

ACTS = 'commands = ["batch.use"]\n'
TOKEN = 'token_file = "page-token"\n'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the configuration lies; the log is read."""
    monkeypatch.setattr(logging.getLogger("brinewright.publish"), "propagate", True)
    return tmp_path


def page(folder: Path, lines: str) -> Page:
    """The section of the page with some lines in it."""
    return parse(configuration(f"[page]\n{ACTS}{lines}"), folder / "brinewright.toml").page


def token_in(folder: Path, token: str, mode: int = 0o600) -> None:
    """Write the file of the token."""
    (folder / "page-token").write_text(f"{token}\n")
    (folder / "page-token").chmod(mode)


def test_without_either_whoever_uses_the_machine_may_act_and_the_log_says_so(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """And so does the page."""
    access = make_access(page(folder, ""))

    assert isinstance(access, OpenAccess)
    assert "without a password" in caplog.text
    assert "whoever uses this machine can send commands" in access.warning


def test_with_a_token_its_sessions_last_as_configured(folder: Path) -> None:
    """Its cookie is of this page alone, as a browser tells no ports apart."""
    token_in(folder, "granite-wharf-27-lantern")
    access = make_access(page(folder, TOKEN + 'session_days = 2\nlisten = "127.0.0.1:8408"\n'))

    assert isinstance(access, TokenAccess)
    assert (172_800.0, "brinewright-session-8408") == (access.lasts_s, access.cookie_name)
    assert "granite" not in repr(access)


def test_a_token_over_plain_http_in_a_network_is_warned_of(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Unless a proxy stands in front."""
    token_in(folder, "granite-wharf-27-lantern")
    lan = TOKEN + 'listen = "0.0.0.0:8407"\n'
    make_access(page(folder, lan + 'trusted_proxies = ["10.20.0.2"]\n'))
    quiet = caplog.text
    make_access(page(folder, lan))

    assert ("", True) == (quiet, "put TLS in front" in caplog.text)


def test_behind_a_proxy_the_login_is_the_name(folder: Path) -> None:
    """In its header, from its address."""
    lines = 'login_header = "X-Remote-User"\ntrusted_proxies = ["127.0.0.1"]\n'

    assert isinstance(make_access(page(folder, lines)), ProxyAccess)


@pytest.mark.parametrize(
    "token, mode, words",
    [
        ("granite-wharf-27-lantern", 0o640, "others than its owner may read"),
        ("granite-wharf-27-lantern", 0o622, "others than its owner may change"),
        ("", 0o600, "is empty"),
        ("short", 0o600, "at least 16 characters"),
        ("a token with blanks in it", 0o600, "without blanks"),
        (None, 0o600, "cannot be read: No such file"),
    ],
)
def test_a_token_that_cannot_be_used_lets_nobody_act(
    folder: Path, caplog: pytest.LogCaptureFixture, token: str | None, mode: int, words: str
) -> None:
    """The log says why, without the token; the page goes on to be read."""
    if token is not None:
        token_in(folder, token, mode)
    access = make_access(page(folder, TOKEN))

    assert isinstance(access, NoAccess)
    assert "page.token_file: " in caplog.text
    assert words in caplog.text
    assert token in (None, "") or token not in caplog.text
    assert not access.browser({}).may_act
    assert not access.tool({"HTTP_AUTHORIZATION": f"Bearer {token}"}).may_act


def test_wrong_tokens_come_into_the_log_without_what_was_tried(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """With where they came from: somebody may be guessing, or a tool has an old one."""
    token_in(folder, "granite-wharf-27-lantern")
    access = make_access(page(folder, TOKEN))
    access.tool({"HTTP_AUTHORIZATION": "Bearer an-old-token", "REMOTE_ADDR": "192.0.2.7"})

    assert "refused 1 attempt with a wrong token, the last from 192.0.2.7" in caplog.text
    assert "an-old-token" not in caplog.text
