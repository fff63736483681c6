"""Whatever is posted, by whomever: no fault of ours, and no act without a right to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.journal.allowance import Allowance
from daemon.journal.command_format import LONGEST_WHO
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.access import Access, NoAccess, OpenAccess, ProxyAccess, TokenAccess
from daemon.page.acts.attempts import Attempts
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.form_data import FORM
from daemon.page.acts.kinds import KINDS
from daemon.page.acts.proxies import proxies
from daemon.page.application import Application
from tests.page.page_parts import alarm_view, site_of, station_view
from tests.parts.inboxes import made

ALLOWED = ("alarm.acknowledge", "alarm.shelve", "batch.note", "batch.start", "lot.add")
TOKEN = "granite-wharf-27-lantern"
PATHS = ("/command", "/sign-in", "/sign-out", "/name", "/act", "/")
SECONDS = 2_000_000_000.0
NAMES = ("kind", "id", "who", "reservoir", "text", "mass_g", "token", "press", "page", "here")
VALUES = ("kim", "mix-1", "1,000", "40,5 l", "1e999", "9" * 400, "\0", "\u202e", "<b>", "/act")
RIGHT = {"reservoir": "mix-1", "who": "kim", "text": "x", "mass_g": "5 kg", "name": "batch-3"}
FIELDS = st.dictionaries(
    st.sampled_from(NAMES) | st.text(max_size=5),
    st.sampled_from([*VALUES, *KINDS]) | st.text(st.characters(codec="utf-8"), max_size=30),
    max_size=10,
)
WIRE = st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="\x7f"))
HEADERS = st.fixed_dictionaries(
    {},
    optional={
        "HTTP_COOKIE": WIRE | st.just("brinewright-session=1.2.3.4; brinewright-name=%ff"),
        "HTTP_ORIGIN": st.sampled_from(["http://localhost", "null", "http://x.example"]),
        "HTTP_SEC_FETCH_SITE": st.sampled_from(["same-origin", "cross-site"]),
        "HTTP_AUTHORIZATION": WIRE | st.builds("Bearer {}".format, WIRE),
        "HTTP_X_BRINEWRIGHT": st.just("1"),
        "HTTP_X_REMOTE_USER": WIRE,
        "HTTP_X_FORWARDED_FOR": WIRE,
        "HTTP_X_FORWARDED_PROTO": WIRE,
    },
)
KINDS_OF_BODY = st.sampled_from([FORM, "application/json", "text/plain", ""])
STRANGERS = st.sampled_from(["192.0.2.7", "::1", "", "no address"])
MANY = settings(max_examples=120, deadline=None, suppress_health_check=[*HealthCheck])


@dataclass(frozen=True)
class Reply:
    """What an application answered."""

    status: int
    headers: Mapping[str, str]
    body: bytes


def call(application: Application, path: str, body: bytes, **more: str) -> Reply:
    """Have a form posted to an application, without a server before it."""
    begun: list[Any] = []
    environ: dict[str, Any] = {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": path,
        "QUERY_STRING": "",
        "HTTP_HOST": "localhost",
        "REMOTE_ADDR": "192.0.2.7",
        "CONTENT_TYPE": FORM,
        "wsgi.input": BytesIO(body),
        **more,
    }

    def start(status: str, headers: list[tuple[str, str]], *_: object) -> Callable[[bytes], None]:
        begun.extend((int(status.split(maxsplit=1)[0]), dict(headers)))
        return lambda _: None

    parts = list(application(environ, start))
    return Reply(begun[0], begun[1], b"".join(parts))


@pytest.fixture
def inbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Inbox:
    """Where commands go, however many."""
    monkeypatch.setattr(Allowance, "has_one", lambda *_: True)
    with Writer(tmp_path / "journal.db"):
        pass
    return made(tmp_path / "journal.db")


def site(inbox: Inbox, access: Access) -> Application:
    """A page that takes commands, with an alarm to acknowledge."""
    journal = Reader(inbox.path.parent / "journal.db")
    desk = CommandDesk(ALLOWED, ("mix-1",), inbox, journal, access)
    return site_of(lambda: station_view(alarms=(alarm_view(),)), desk=desk)


def token_access() -> TokenAccess:
    """One whose clocks stand still."""
    return TokenAccess(TOKEN, clock=lambda: SECONDS, attempts=Attempts(lambda: 0.0))


@pytest.mark.parametrize(
    "make",
    [
        token_access,
        lambda: ProxyAccess(proxies(["10.20.0.0/28"]), "X-Remote-User"),
        lambda: NoAccess("the token of this station cannot be read"),
    ],
    ids=["token", "proxy", "none"],
)
def test_nobody_acts_without_a_right(inbox: Inbox, make: Callable[[], Access]) -> None:
    """Whatever fields, cookies and headers a stranger makes up, also a form that is ours."""
    access = make()
    application = site(inbox, access)

    @MANY
    @given(st.sampled_from(PATHS), FIELDS, st.binary(max_size=9), HEADERS, STRANGERS, KINDS_OF_BODY)
    def posted(
        path: str,
        fields: dict[str, str],
        noise: bytes,
        headers: dict[str, str],
        address: str,
        kind: str,
    ) -> None:
        body = urlencode({**fields, "name": "batch-off-target"}).encode() + noise
        more = headers | {"REMOTE_ADDR": address, "CONTENT_TYPE": kind}
        reply = call(application, path, body, **more)

        assert 400 <= reply.status < 500
        assert "Set-Cookie" not in reply.headers

    posted()
    assert [] == inbox.after(0)


@pytest.mark.parametrize("make", [token_access, OpenAccess], ids=["token", "open"])
def test_whoever_may_act_brings_nothing_down(inbox: Inbox, make: Callable[[], Access]) -> None:
    """Any form is taken or comes back with a sentence; what is taken is what was allowed."""
    access = make()
    application = site(inbox, access)
    cookie = token_access().begin({})[1].partition(";")[0]
    token = access.browser({"HTTP_COOKIE": cookie}).form_token

    @MANY
    @given(FIELDS, st.binary(max_size=9), st.booleans(), st.sampled_from(sorted(KINDS)))
    def posted(fields: dict[str, str], noise: bytes, mixed: object, kind: str) -> None:
        own = {"kind": kind, **RIGHT, **fields, "token": token}
        body = urlencode(own).encode() + (b"&" + noise if mixed else b"")
        reply = call(application, "/command", body, HTTP_COOKIE=cookie)

        assert reply.status in (303, 400)
        assert reply.status == 303 or b"Not sent" in reply.body
        assert b"<b>" not in reply.body

    posted()
    taken = inbox.after(0, 1000)
    assert taken, "some of them are forms as they should be"
    assert {each.verb for each in taken} <= set(ALLOWED)
    assert all(each.who and len(each.who) <= LONGEST_WHO for each in taken)
    assert {each.reservoir for each in taken} <= {"", "mix-1"}
