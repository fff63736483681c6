"""Acts behind a token: who has it may act, by a session or as a tool, and nobody else."""

from __future__ import annotations

import hmac
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

import pytest

from daemon.journal.command_format import LARGEST_BYTES
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts import sessions
from daemon.page.acts.access import DAY_S, TokenAccess
from daemon.page.acts.attempts import BURST_OF_ONE, Attempts
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.proxies import proxies
from daemon.page.serving import server
from tests.page.acting_parts import FORM, forms
from tests.page.page_parts import Reply, alarm_view, ask, served, site_of, station_view
from tests.parts.inboxes import made

TOKEN = "granite-wharf-27-lantern"
JSON = {"Content-Type": "application/json"}
TRIES = 60


@dataclass
class Bench:
    """A page behind a token, and one browser before it.

    Attributes:
        port: Of the page.
        inbox: Where commands go.
        access: Knows the token.
        now: Unix time and monotonic seconds, s.
        cookies: Of the browser.
    """

    port: int
    inbox: Inbox
    access: TokenAccess
    now: list[float]
    cookies: dict[str, str] = field(default_factory=dict)

    def get(self, path: str) -> Reply:
        """Load a page."""
        return self._kept(ask(self.port, path, headers=self.headers()))

    def post(self, path: str, fields: dict[str, str], **headers: str) -> Reply:
        """Send a form as a browser does."""
        own = {name.replace("_", "-"): value for name, value in headers.items()}
        body = urlencode(fields).encode()
        return self._kept(ask(self.port, path, "POST", FORM | self.headers() | own, body))

    def sign_in(self, token: str = TOKEN, **headers: str) -> Reply:
        """Sign in."""
        return self.post("/sign-in", {"token": token, "here": "/act"}, **headers)

    def form(self, kind: str = "acknowledge") -> dict[str, str]:
        """A form of the page of acts, filled in."""
        return forms(self.get("/act").text)[kind] | {"who": "kim"}

    def tool(self, **headers: str) -> Reply:
        """Send JSON as a tool does."""
        body = {"verb": "batch.use", "who": "scale", "reservoir": "mix-1", "volume_l": 40}
        own = {name.replace("_", "-"): value for name, value in headers.items()}
        return ask(self.port, "/command", "POST", JSON | own, json.dumps(body).encode())

    @property
    def sent(self) -> int:
        """How many commands came through."""
        return len(self.inbox.after(0, 1000))

    def headers(self) -> dict[str, str]:
        """What the browser sends of its own accord: its cookies."""
        kept = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        return {"Cookie": kept} if kept else {}

    def _kept(self, reply: Reply) -> Reply:
        name, _, value = reply.headers.get("Set-Cookie", "").partition(";")[0].partition("=")
        if name:
            self.cookies[name] = value
        return reply


@pytest.fixture
def make_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], Bench]]:
    """Begin a process that serves the page; time stands still."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends
    path, now, open_ = tmp_path / "journal.db", [2_000_000_000.0], []
    with Writer(path):
        pass
    inbox = made(path)

    def begin(token: str = TOKEN) -> Bench:
        access = TokenAccess(
            token,
            lasts_s=DAY_S,
            proxies=proxies(["127.0.0.1"]),
            clock=lambda: now[0],
            attempts=Attempts(lambda: now[0]),
        )
        desk = CommandDesk(
            ("alarm.acknowledge", "batch.use", "batch.note"),
            ("mix-1",),
            inbox,
            Reader(path),
            access,
        )
        page = served(site_of(lambda: station_view(alarms=(alarm_view(),)), desk=desk))
        open_.append(page)
        return Bench(page.__enter__(), inbox, access, now)

    yield begin
    for page in open_:
        page.__exit__(None, None, None)


@pytest.fixture
def bench(make_bench: Callable[[], Bench]) -> Bench:
    """One process."""
    return make_bench()


def test_without_a_token_everything_can_be_read_and_nothing_sent(bench: Bench) -> None:
    """The page of acts says that one has to sign in, and where; it shows no form."""
    read = {path: ask(bench.port, path).status for path in ("/", "/metrics", "/api/station")}
    act = bench.get("/act")
    sent = bench.post("/command", {"kind": "acknowledge", "name": "batch-off-target", "who": "kim"})

    assert {200} == set(read.values())
    assert ({}, True) == (forms(act.text), "/sign-in?here=/act" in act.text)
    assert (401, 0) == (sent.status, bench.sent)
    assert "Sign in first" in sent.text
    assert sent.headers["Www-Authenticate"].startswith("Bearer")


def test_a_token_is_asked_for_once_and_then_a_session_does(bench: Bench) -> None:
    """The session's cookie is neither for scripts nor for other sites, and holds no token."""
    signed = bench.sign_in()
    cookie = signed.headers["Set-Cookie"]
    reply = bench.post("/command", bench.form())

    assert (303, "/act") == (signed.status, signed.headers["Location"])
    assert "; Path=/; HttpOnly; SameSite=Strict" in cookie
    assert ("Secure" in cookie, TOKEN in cookie) == (False, False)
    assert (303, 1) == (reply.status, bench.sent)


def test_behind_https_the_session_is_for_https_alone(bench: Bench) -> None:
    """Where a proxy that is trusted says that the browser spoke it."""
    assert bench.sign_in(X_Forwarded_Proto="https").headers["Set-Cookie"].endswith("; Secure")


@pytest.mark.parametrize("token", ["", "wrong", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "\u00e9"])
def test_a_wrong_token_is_refused(bench: Bench, token: str) -> None:
    """By whatever it differs; no session begins and the sentence stands beside the field."""
    reply = bench.sign_in(token)

    assert (401, None) == (reply.status, reply.headers.get("Set-Cookie"))
    assert 'aria-describedby="token-error"' in reply.text
    assert "This is not the token" in reply.text
    assert (
        401 == bench.tool(Authorization=f"Bearer {token or 'x'}".encode().decode("latin-1")).status
    )
    assert 0 == bench.sent


def test_a_tool_sends_the_token_with_each_command(bench: Bench) -> None:
    """No cookie is taken of a tool, and no browser may send JSON even with the token."""
    bench.sign_in()
    cookie = "; ".join(f"{name}={value}" for name, value in bench.cookies.items())
    bearer = {"Authorization": f"Bearer {TOKEN}"}

    assert 202 == bench.tool(**bearer).status
    assert 202 == bench.tool(Authorization=f"bearer  {TOKEN}").status
    refused = {
        "none": bench.tool(X_Brinewright="1"),
        "cookie": bench.tool(Cookie=cookie, X_Brinewright="1"),
        "basic": bench.tool(Authorization=f"Basic {TOKEN}", X_Brinewright="1"),
        "browser": bench.tool(**bearer, Origin="http://127.0.0.1"),
    }
    assert [401, 401, 401, 403] == [each.status for each in refused.values()]
    assert 2 == bench.sent


def test_a_session_outlives_a_restart_and_not_another_token(
    make_bench: Callable[..., Bench],
) -> None:
    """The form that was open meanwhile is taken too; with a new token everybody signs in anew."""
    first = make_bench()
    first.sign_in()
    form = first.form()
    again, changed = make_bench(), make_bench("another-token-of-today")
    again.cookies = changed.cookies = first.cookies

    assert [303, 401] == [each.post("/command", form).status for each in (again, changed)]
    assert 1 == again.sent


def test_a_session_ends_after_its_time_and_by_signing_out(bench: Bench) -> None:
    """A copy of its cookie is of no use afterwards."""
    bench.sign_in()
    form, kept = bench.form(), dict(bench.cookies)
    out = bench.post("/sign-out", {"token": form["token"]})
    bench.cookies = kept
    after_out = bench.post("/command", form)
    bench.sign_in()
    fresh = bench.form()
    bench.now[0] += DAY_S
    late = bench.post("/command", fresh)

    assert (303, True) == (out.status, "Max-Age=0" in out.headers["Set-Cookie"])
    assert [401, 401] == [after_out.status, late.status]
    assert 0 == bench.sent


@pytest.mark.parametrize("change", ["id", "time", "signature", "version", "empty", "twice"])
def test_a_session_that_was_tampered_with_is_none(bench: Bench, change: str) -> None:
    """Whatever of it is changed."""
    bench.sign_in()
    ((name, value),) = bench.cookies.items()
    form = bench.form()
    version, begin, id_, signature = value.split(".")
    other = "0" if signature[-1] != "0" else "1"
    changed = {
        "id": f"{version}.{begin}.{id_[::-1]}.{signature}",
        "time": f"{version}.{int(begin) + 60}.{id_}.{signature}",
        "signature": f"{version}.{begin}.{id_}.{signature[:-1]}{other}",
        "version": f"2.{begin}.{id_}.{signature}",
        "empty": "",
        "twice": f"{value}; {name}={value}",
    }
    bench.cookies = {name: changed[change]}

    assert (401, 0) == (bench.post("/command", form).status, bench.sent)


def test_a_form_of_another_session_is_not_taken_and_nothing_typed_is_lost(
    make_bench: Callable[..., Bench],
) -> None:
    """It comes back with what was typed, under the session of now, and is sent once more."""
    bench = make_bench()
    bench.sign_in()
    old = bench.form("note") | {"text": "cloudy <b>at</b> noon"}
    bench.cookies = {}
    bench.sign_in()
    own = {"Origin": f"http://127.0.0.1:{bench.port}"}
    reply = bench.post("/command", old, **own)
    again = forms(reply.text)["note"]
    silent = bench.post("/command", old)

    assert (403, 403, {}) == (reply.status, silent.status, forms(silent.text))
    assert "cloudy &lt;b&gt;at&lt;/b&gt; noon</textarea>" in reply.text
    assert (old["id"], True) == (again["id"], again["token"] != old["token"])
    assert 303 == bench.post("/command", old | again | {"who": "kim"}, **own).status
    assert 1 == bench.sent


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://strangers.example"},
        {"Origin": "null"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/sign-in", "/sign-out", "/name", "/command"])
def test_what_another_site_sends_is_refused(
    bench: Bench, path: str, headers: dict[str, str]
) -> None:
    """Also where it knows all that a form carries; nobody is signed in, out or renamed."""
    bench.sign_in()
    fields = bench.form() | {"token": TOKEN if path == "/sign-in" else bench.form()["token"]}
    reply = bench.post(path, fields, **headers)

    assert (403, None, 0) == (reply.status, reply.headers.get("Set-Cookie"), bench.sent)


@pytest.mark.parametrize("path", ["/act", "/sign-in", "/command", "/name"])
def test_a_foreign_name_of_the_machine_is_refused(bench: Bench, path: str) -> None:
    """As anywhere on the page: another site may have its own name point here."""
    reply = ask(bench.port, path, "POST", FORM | {"Host": "strangers.example"}, b"a=1")

    assert (421, 0) == (reply.status, bench.sent)


def test_sixty_tries_at_the_door_find_nothing_out(bench: Bench) -> None:
    """After a few the right token is refused as well, and a minute later it is taken."""
    guesses = [bench.sign_in(f"guess-{n}").status for n in range(TRIES)]
    right, tool = bench.sign_in(), bench.tool(Authorization=f"Bearer {TOKEN}")
    bench.now[0] += 60.0
    later = bench.sign_in()

    assert [401] * BURST_OF_ONE + [429] * (TRIES - BURST_OF_ONE) == guesses
    assert [429, 429, 303] == [right.status, tool.status, later.status]
    assert ("60", True) == (right.headers["Retry-After"], "wait a minute" in right.text)


def test_a_proxy_s_clients_are_told_apart(bench: Bench) -> None:
    """Who guesses from one address does not lock out another behind the same proxy."""
    for n in range(TRIES):
        bench.sign_in(f"guess-{n}", X_Forwarded_For="198.51.100.4")

    assert 303 == bench.sign_in(X_Forwarded_For="198.51.100.5").status


def test_who_is_signed_in_acts_while_others_guess(bench: Bench) -> None:
    """The bound is on tokens, not on sessions."""
    bench.sign_in()
    for n in range(TRIES):
        ask(bench.port, "/sign-in", "POST", FORM, f"token=guess-{n}".encode())

    assert (303, 1) == (bench.post("/command", bench.form()).status, bench.sent)


def test_secrets_are_compared_in_constant_time(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Token, session and what a form carries all go through the comparison made for it."""
    compared = []

    def compare(one: bytes, other: bytes) -> bool:
        compared.append(len(one) == len(other))
        return hmac.compare_digest(one, other)

    monkeypatch.setattr(sessions, "compare_digest", compare)
    counts = []
    for act in (bench.sign_in, bench.form, lambda: bench.post("/command", bench.form())):
        act()
        counts.append(len(compared))

    assert 0 < counts[0] < counts[1] < counts[2]
    assert {True} == set(compared), "lengths of secrets would tell something"


@pytest.mark.parametrize(
    "here", ["https://strangers.example/", "//strangers.example", "/a\r\nX: 1"]
)
def test_nobody_is_led_elsewhere_after_signing_in(bench: Bench, here: str) -> None:
    """Only a path of ours is gone on at."""
    reply = bench.post("/sign-in", {"token": TOKEN, "here": here})

    assert (303, "/act") == (reply.status, reply.headers["Location"])


def test_the_name_is_typed_once_and_can_be_changed(bench: Bench) -> None:
    """The browser keeps it; what a form showed is what is recorded."""
    bench.sign_in()
    bench.post("/command", bench.form())
    shown = forms(bench.get("/act").text)["acknowledge"]
    renamed = bench.post("/name", {"token": shown["token"], "who": "Zoë & <b>", "here": "/act"})
    bench.post("/command", shown)
    bench.post("/command", forms(bench.get("/act").text)["acknowledge"])

    assert ("kim", 303) == (shown["who"], renamed.status)
    assert ["kim", "kim", "Zoë & <b>"] == [each.who for each in bench.inbox.after(0)]
    assert "Zoë &amp; &lt;b&gt;" in bench.get("/act").text


@pytest.mark.parametrize("who", ["", "k" * 41, "kim\u202e", "a\nb"])
def test_a_name_that_cannot_be_recorded_is_refused(bench: Bench, who: str) -> None:
    """Beside its field; the browser keeps the former one."""
    bench.sign_in()
    reply = bench.post("/name", {"token": bench.form()["token"], "who": who})

    assert (400, None) == (reply.status, reply.headers.get("Set-Cookie"))
    assert 'id="name-who-error"' in reply.text


@pytest.mark.parametrize("path", ["/sign-in", "/name", "/command", "/sign-out"])
@pytest.mark.parametrize("size", [LARGEST_BYTES, LARGEST_BYTES + 1])
def test_a_body_that_is_too_large_is_refused(bench: Bench, path: str, size: int) -> None:
    """At every door, the largest that is read as the first that is not."""
    bench.sign_in()
    reply = ask(bench.port, path, "POST", FORM | bench.headers(), b"a" * size)

    assert reply.status in (400, 401, 403, 413)
    assert 0 == bench.sent
