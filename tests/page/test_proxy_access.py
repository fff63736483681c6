"""Acts behind a proxy's login: its header counts, from its address alone, and is the name."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest

from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.access import ProxyAccess
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.proxies import proxies
from daemon.page.serving import server
from tests.conftest import LOOPBACK
from tests.page.acting_parts import FORM, forms
from tests.page.page_parts import alarm_view, served, site_of, station_view
from tests.parts.inboxes import made

KIM = ("X-Remote-User", "kim")
TOOL = [("Content-Type", "application/json"), ("X-Brinewright", "1")]


@dataclass
class Bench:
    """A page behind a proxy.

    Attributes:
        port: Of the page.
        inbox: Where commands go.
    """

    port: int
    inbox: Inbox

    def send(
        self,
        path: str,
        fields: dict[str, str] | None,
        *headers: tuple[str, str],
        from_: str = LOOPBACK,
    ) -> tuple[int, str]:
        """Send a request, with a header as often as it is given, from an address."""
        body = None if fields is None else urlencode(fields).encode()
        more = [] if fields is None else [*FORM.items(), ("Content-Length", str(len(body or b"")))]
        return self.raw("GET" if fields is None else "POST", path, [*more, *headers], body, from_)

    def raw(
        self,
        method: str,
        path: str,
        headers: Sequence[tuple[str, str]],
        body: bytes | None,
        from_: str = LOOPBACK,
    ) -> tuple[int, str]:
        """Send a request as it is."""
        source = (from_, 0)
        with closing(
            http.client.HTTPConnection(LOOPBACK, self.port, 10, source_address=source)
        ) as connection:
            connection.putrequest(method, path)
            for name, value in headers:
                connection.putheader(name, value)
            connection.endheaders(body)
            reply = connection.getresponse()
            return reply.status, reply.read().decode()

    def form(self, *headers: tuple[str, str]) -> dict[str, str]:
        """The form that acknowledges, as who logged in sees it."""
        return forms(self.send("/act", None, *(headers or (KIM,)))[1])["acknowledge"]

    def tool(self, told: dict[str, str], *headers: tuple[str, str]) -> tuple[int, str]:
        """Send JSON as a tool does."""
        body = json.dumps({"verb": "batch.note", "reservoir": "mix-1", "text": "x"} | told).encode()
        own = [*TOOL, ("Content-Length", str(len(body)))]
        return self.raw("POST", "/command", [*own, *headers], body)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A page that trusts the proxy on one address of this machine, and no other."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends
    path = tmp_path / "journal.db"
    with Writer(path):
        pass
    inbox = made(path)
    access = ProxyAccess(proxies([LOOPBACK]), "X-Remote-User")
    verbs = ("alarm.acknowledge", "batch.note")
    desk = CommandDesk(verbs, ("mix-1",), inbox, Reader(path), access)
    with served(site_of(lambda: station_view(alarms=(alarm_view(),)), desk=desk)) as port:
        yield Bench(port, inbox)


def test_a_command_is_recorded_under_the_login(bench: Bench) -> None:
    """Nothing is to be typed: the page says whose name it is."""
    page = bench.send("/act", None, KIM)[1]
    form = forms(page)["acknowledge"]
    status, _ = bench.send("/command", form, KIM)

    assert ("who" in form, "<strong>kim</strong>, your login" in page) == (False, True)
    assert (303, ["kim"]) == (status, [each.who for each in bench.inbox.after(0)])


def test_the_login_cannot_be_typed_over(bench: Bench) -> None:
    """Neither by a field, nor by a cookie, nor by a tool; and the name page changes nothing."""
    form = bench.form()
    typed = bench.send("/command", form | {"who": "eve"}, KIM)
    renamed = bench.send("/name", {"who": "eve", "token": form["token"]}, KIM)
    tool = bench.tool({"who": "eve"}, KIM)
    bench.send("/command", form, KIM, ("Cookie", "brinewright-name=eve"))
    bench.tool({"who": "kim"}, KIM)
    bench.tool({}, KIM)

    assert [400, 403, 400] == [typed[0], renamed[0], tool[0]]
    assert ["kim"] * 3 == [each.who for each in bench.inbox.after(0)]


def test_the_header_of_anybody_else_is_ignored_and_refused(bench: Bench) -> None:
    """From another address no form is shown and none is taken, whatever else it carries."""
    form = bench.form()
    way = ("X-Forwarded-For", LOOPBACK)
    page = bench.send("/act", None, KIM, way, from_="127.0.0.2")
    sent = bench.send("/command", form, KIM, way, from_="127.0.0.2")
    read = bench.send("/", None, from_="127.0.0.2")

    assert (200, {}, 403, 200) == (page[0], forms(page[1]), sent[0], read[0])
    assert "only through the proxy" in page[1]
    assert [] == bench.inbox.after(0)


@pytest.mark.parametrize(
    "headers",
    [
        [],
        [("X-Remote-User", "")],
        [KIM, ("X-Remote-User", "eve")],
        [KIM, KIM],
        [("X-Remote-User", "k" * 41)],
        [("X_Remote_User", "kim")],
        [("X-Remote-User", "kim\xff")],
    ],
)
def test_without_one_login_nothing_is_taken(bench: Bench, headers: list[tuple[str, str]]) -> None:
    """A missing one, two, one that cannot be recorded, or a header that only looks like it."""
    form = bench.form()
    page, sent = bench.send("/act", None, *headers), bench.send("/command", form, *headers)

    assert (200, {}, 403) == (page[0], forms(page[1]), sent[0])
    assert 403 == bench.tool({"who": "kim"}, *headers)[0]
    assert [] == bench.inbox.after(0)


def test_the_form_of_another_login_is_not_taken(bench: Bench) -> None:
    """It comes back under the login of now, where a browser says that it is of ours."""
    form = bench.form()
    eve = ("X-Remote-User", "eve")
    status, page = bench.send("/command", form, eve, ("Sec-Fetch-Site", "same-origin"))
    again = bench.send("/command", forms(page)["acknowledge"], eve)

    assert (403, 303) == (status, again[0])
    assert ["eve"] == [each.who for each in bench.inbox.after(0)]


def test_nobody_signs_in_where_a_proxy_does_it(bench: Bench) -> None:
    """There is no such page, and no way to be signed out."""
    page, out = bench.send("/sign-in", None), bench.send("/sign-out", {"token": "x"})

    assert (404, 405) == (page[0], out[0])
