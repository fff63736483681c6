"""The page over real HTTP: what is answered, what is refused, and who cannot hold it up."""

from __future__ import annotations

import logging
import re
import socket
import threading
import time
from contextlib import closing
from functools import partial
from threading import Event as Signal

import pytest

from daemon.config.page_access import is_loopback
from daemon.logs import Outage
from daemon.page.application import knows_itself
from daemon.page.serving.server import PageServer, listening, where
from daemon.page.view import StationView
from tests.conftest import LOOPBACK, wait_until
from tests.page.page_parts import ask, reservoir_view, served, site_of, station_view

FOR_EVER = "public, max-age=31536000, immutable"
NAMES = frozenset(["mixing.lan"])


def test_each_place_is_answered_with_strict_headers() -> None:
    """Nothing is kept, framed, guessed or loaded from elsewhere, whatever is answered."""
    with served(site_of(station_view)) as port:
        replies = {path: ask(port, path) for path in ("/", "/metrics", "/healthz", "/elsewhere")}

    assert [200, 200, 200, 404] == [each.status for each in replies.values()]
    assert ">Released</p>" in replies["/"].text
    assert "brinewright_practical_salinity" in replies["/metrics"].text
    assert "measuring goes on\n" == replies["/healthz"].text
    for each in replies.values():
        assert each.headers["Content-Security-Policy"].startswith("default-src 'none'; script-src ")
        assert "frame-ancestors 'none'" in each.headers["Content-Security-Policy"]
        assert "nosniff" == each.headers["X-Content-Type-Options"]
        assert "no-store" == each.headers["Cache-Control"]
        assert "Server" not in each.headers


def test_only_files_of_its_own_can_be_script_or_style() -> None:
    """The policy allows none within a page, and the page has none; each file is there."""
    with served(site_of(station_view)) as port:
        page = ask(port)
        files = re.findall(r"(?:src|href)=\"(/static/[^\"]+)\"", page.text)
        kept = [ask(port, each) for each in files]
        nowhere = [
            ask(port, f"/static/{each}").status for each in ("nothing.js", "..%2fview.py", "")
        ]
    policy = page.headers["Content-Security-Policy"]

    assert "script-src 'self'; style-src 'self'; " in policy
    assert not re.search(
        r"unsafe|\son\w+=|\sstyle=|<style|<script>|<script(?![^>]*src=)", page.text
    )
    assert 3 < len(files)
    assert {200} == {each.status for each in kept}
    assert {"public, max-age=31536000, immutable"} == {
        each.headers["Cache-Control"] for each in kept
    }
    assert [404, 404, 404] == nowhere


def test_health_says_no_with_the_reason() -> None:
    """503 and a sentence, for whatever watches over the machine."""
    with served(site_of(partial(station_view, reservoir_view(age_s=600.0)))) as port:
        reply = ask(port, "/healthz")

    assert (503, True) == (reply.status, "the last reading is 10 min old" in reply.text)


@pytest.mark.parametrize("path", ["/", "/metrics", "/healthz"])
def test_a_question_for_the_head_alone_has_no_body(path: str) -> None:
    """And says how long the body would be."""
    with served(site_of(station_view)) as port:
        whole, head = ask(port, path), ask(port, path, "HEAD")

    assert (200, b"") == (head.status, head.body)
    assert str(len(whole.body)) == head.headers["Content-Length"]


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"])
def test_nothing_can_be_changed(method: str) -> None:
    """405, with what is allowed."""
    with served(site_of(station_view)) as port:
        reply = ask(port, method=method, body=b"verb=batch.use" if method == "POST" else None)

    assert (405, "GET, HEAD") == (reply.status, reply.headers["Allow"])


@pytest.mark.parametrize(
    "host, allowed",
    [
        ("localhost", True),
        ("LOCALHOST:8407", True),
        ("127.0.0.1:8407", True),
        ("[::1]:8407", True),
        ("::1", True),
        ("192.0.2.7:8407", True),
        ("mixing.lan", True),
        ("Mixing.LAN:8407", True),
        ("", False),
        ("strangers.example", False),
        ("localhost.strangers.example:8407", False),
        ("127.0.0.1.strangers.example", False),
        ("mixing.lan.strangers.example", False),
        ("127.1", False),
        ("0x7f000001", False),
        ("[::1", True),
        ("a:b:c", False),
        (":8407", False),
    ],
)
def test_only_names_of_its_own_are_answered(host: str, allowed: object) -> None:
    """A foreign site that has its own name point here reads nothing."""
    assert allowed is knows_itself(host, NAMES)


def test_a_foreign_name_is_refused_over_the_wire() -> None:
    """Before anything is looked at."""
    with served(site_of(_never, NAMES)) as port:
        reply = ask(port, headers={"Host": "strangers.example"})

    assert 421 == reply.status
    assert "page.names" in reply.text
    assert "quarantine-wing" not in reply.text


def _never() -> StationView:
    raise AssertionError("it looked")


def test_a_fault_of_ours_is_logged_and_not_shown(caplog: pytest.LogCaptureFixture) -> None:
    """Who asks learns that there is one, and nothing of the program."""
    with served(site_of(_never)) as port:
        reply = ask(port)
        assert 500 == reply.status

    assert b"a fault in this program; see its log\n" == reply.body
    assert "it looked" in caplog.text


@pytest.mark.parametrize(
    "sent, code",
    [
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 100_000 + b"\r\n\r\n", b"431"),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100000000\r\n\r\n", b"413"),
        (b"GET /\x00\xff HTTP/1.1\r\nHost: localhost\r\n\r\n", b"400"),
        (b"GET /%00%ff HTTP/1.1\r\nHost: localhost\r\n\r\n", b"404"),
        (b"GET /../../etc/passwd HTTP/1.1\r\nHost: localhost\r\n\r\n", b"404"),
        (b"GET / HTTP/1.1\r\n\r\n", b"421"),
        (b"\x16\x03\x01\x02\x00\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: rot13\r\n\r\n", b"501"),
    ],
)
def test_what_is_too_much_or_no_request_is_refused(sent: bytes, code: bytes) -> None:
    """With the code that says so, and the next one is served."""
    with served(site_of(station_view)) as port:
        with socket.create_connection((LOOPBACK, port), timeout=10) as connection:
            connection.sendall(sent)
            told = connection.recv(4096)
        assert 200 == ask(port).status

    assert told.startswith((b"HTTP/1.1 " + code, b"HTTP/1.0 " + code))


def test_many_at_once_are_all_answered() -> None:
    """Two threads serve a crowd in turn."""
    statuses: list[int] = []
    with served(site_of(station_view)) as port:
        crowd = [
            threading.Thread(target=lambda: statuses.append(ask(port).status)) for _ in range(16)
        ]
        for each in crowd:
            each.start()
        for each in crowd:
            each.join()

    assert [200] * 16 == statuses


class Soon:
    """Leaves a port alone for a moment only."""

    def failed(self, now_s: float) -> float:
        """Say how long, s."""
        return 0.02


def test_a_port_that_is_taken_is_said_once_and_tried_again(
    free_port: int, caplog: pytest.LogCaptureFixture
) -> None:
    """One sentence however often it is tried; it serves as soon as the port is free."""
    said: list[str] = []
    stop = Signal()
    log = logging.getLogger("tests.page")
    page = PageServer(
        site_of(station_view), LOOPBACK, free_port, Outage(log, "the page"), Soon(), said.append
    )
    thread = threading.Thread(target=page.run, args=(stop,))
    with caplog.at_level("INFO", "tests.page"):
        with closing(listening(LOOPBACK, free_port)):
            thread.start()
            wait_until(lambda: bool(caplog.messages), "a sentence")
            time.sleep(0.3)  # a dozen tries
            assert 1 == len(caplog.messages)
        wait_until(lambda: bool(said), "the port")
        try:
            assert 200 == ask(free_port).status
        finally:
            stop.set()
            thread.join(10)

    assert f"{LOOPBACK}:{free_port} cannot be listened on: Address already in use" in caplog.text
    assert "change page.listen" in caplog.text
    assert [f"http://127.0.0.1:{free_port}/"] == said


@pytest.mark.parametrize(
    "host, own",
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),  # noqa: S104 - nothing is bound
        ("::", False),
        ("192.0.2.1", False),
        ("mixing.lan", False),
    ],
)
def test_loopback_is_distinguished_from_the_rest(host: str, own: object) -> None:
    """A warning is due for everything that another machine can reach."""
    assert own is is_loopback(host)


def test_an_address_is_told_as_a_browser_takes_it() -> None:
    """One of IPv6 stands in brackets."""
    assert "http://[::1]:8407/" == where("::1", 8407)
    assert "http://localhost:8407/" == where("localhost", 8407)
