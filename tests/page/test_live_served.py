"""Pages that stay open, over real HTTP: what they are sent, and that they hold nobody up."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Event as Signal

import pytest

from daemon.page.serving import channel
from daemon.page.serving.live import LiveStreams
from daemon.page.serving.server import listening, serve
from daemon.page.site import Site, make_site
from daemon.page.sources import Sources
from daemon.page.view import StationView
from tests.conftest import LOOPBACK, PATIENCE_S, find_free_port, wait_until
from tests.page.page_parts import ask, display_settings, reservoir_view, station_view

SOON_S = 0.02
MANY = 50
MOST_EVENTS = 200


class Look:
    """A view that a test changes."""

    def __init__(self) -> None:
        """Begin with released water."""
        self.seq = 1
        self.readings = 0

    def __call__(self) -> StationView:
        """Give it."""
        self.readings += 1
        view = station_view(reservoir_view(salinity=33.0 + self.seq / 100.0))
        return replace(view, last_seq=self.seq)


def site(look: Look, tick_s: float = SOON_S) -> Site:
    """The whole page, composed as often as a test has time for."""
    made = make_site(Sources(look, Path("no-journal.db"), (display_settings(),)))
    return replace(made, live=LiveStreams(made.live.streams, look, tick_s))


@contextmanager
def live(made: Site, taken_bytes: int = 0) -> Iterator[int]:
    """Serve it with its streams, on a port that is given.

    Args:
        made: The page.
        taken_bytes: How much the kernel takes that nobody reads; 0 for the usual.
    """
    port, stop = find_free_port(), Signal()
    door = listening(LOOPBACK, port)
    if taken_bytes:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, taken_bytes)
    thread = threading.Thread(
        target=serve, args=(made.application, door, stop, lambda: None, made.live)
    )
    thread.start()
    try:
        yield port
    finally:
        stop.set()
        thread.join(10)
        door.close()


class Follower:
    """One that follows a stream, and reads it event by event."""

    def __init__(self, port: int, path: str = "/api/live", version: str = "1.1") -> None:
        """Begin."""
        self.socket = socket.create_connection((LOOPBACK, port), timeout=PATIENCE_S)
        self.socket.sendall(f"GET {path} HTTP/{version}\r\nHost: localhost\r\n\r\n".encode())
        self.lines = self.socket.makefile("rb")
        head = iter(lambda: self.lines.readline().decode().rstrip("\r\n"), "")
        self.status = next(head)
        self.headers = dict(each.split(": ", 1) for each in head)

    def next_event(self, name: str) -> dict[str, object]:
        """The data of the next event of a name; how long pieces are is passed over."""
        for line in self.lines:
            if line.rstrip() == f"event: {name}".encode():
                found = json.loads(self.lines.readline().removeprefix(b"data: "))
                assert isinstance(found, dict)
                return found
        raise AssertionError("the stream is over")

    def close(self) -> None:
        """Go away."""
        self.lines.close()
        self.socket.close()


def test_a_follower_is_sent_the_present_state_and_then_each_change() -> None:
    """In pieces that say how long they are, and none of it may be kept."""
    look = Look()
    with live(site(look)) as port, closing(Follower(port)) as one:
        first = one.next_event("station")
        look.seq = 7
        wait_until(lambda: one.next_event("station")["seq"] == 7, "the change")

    assert 1 == first["seq"]
    assert ("text/event-stream", "no-store", "chunked") == tuple(
        one.headers[name] for name in ("Content-Type", "Cache-Control", "Transfer-Encoding")
    )


def test_a_proxy_that_speaks_1_0_is_sent_the_same() -> None:
    """Without pieces, as it could not read them; the end is that of the connection."""
    with live(site(Look())) as port, closing(Follower(port, version="1.0")) as one:
        first, beat = one.next_event("station"), one.next_event("beat")

    assert ({"time", "seq"}, "quarantine-wing") == (set(beat), first["station"])
    assert "Transfer-Encoding" not in one.headers


def test_a_page_that_is_not_live_by_that_name_is_not_found() -> None:
    """And nobody follows."""
    with live(site(Look())) as port:
        found = [ask(port, each).status for each in ("/live", "/live?page=x", "/live?page=station")]

    assert [404, 404, 404] == found


def test_a_question_for_the_head_follows_nothing() -> None:
    """Its connection takes the next request."""
    look = Look()
    with live(site(look)) as port:
        connection = http.client.HTTPConnection(LOOPBACK, port, timeout=PATIENCE_S)
        connection.request("HEAD", "/api/live")
        head = connection.getresponse()
        head.read()
        connection.request("GET", "/healthz")
        after = connection.getresponse().status
        connection.close()

    assert (200, 200) == (head.status, after)


def test_many_followers_cost_one_reading_each_time_and_delay_nobody() -> None:
    """Fifty open pages are composed once; a request beside them is answered as ever."""
    look = Look()
    with live(site(look, 0.2)) as port, ExitStack() as stack:
        all_of_them = [stack.enter_context(closing(Follower(port))) for _ in range(MANY)]
        for each in all_of_them:
            each.next_event("beat")
        began_s, before = time.monotonic(), look.readings
        statuses = {ask(port, "/healthz").status for _ in range(10)}
        took_s = time.monotonic() - began_s
        own = look.readings - before

    assert {200} == statuses
    # Ten requests, and a composing each fifth of a second; not fifty for each of them.
    assert own <= 10 + took_s / 0.2 + 2


def test_a_follower_that_reads_nothing_is_ended_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What waits for it is bounded, whatever its machine does."""
    monkeypatch.setattr(channel, "MOST_UNREAD_BYTES", 20_000)
    look = Look()
    with live(site(look), 4096) as port, closing(Follower(port)) as well:
        deaf = socket.socket()
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        deaf.connect((LOOPBACK, port))
        deaf.sendall(b"GET /api/live HTTP/1.1\r\nHost: localhost\r\n\r\n")

        for _ in range(MOST_EVENTS):
            look.seq += 1
            well.next_event("station")
            if _is_over(deaf):
                break
        over = _is_over(deaf)
        deaf.close()

        assert over
        assert well.next_event("beat")["seq"]


def test_what_a_follower_says_further_ends_it() -> None:
    """It has nothing to say; a second request over its connection is no stream's business."""
    with live(site(Look())) as port:
        one = Follower(port)
        one.next_event("beat")
        one.socket.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        rest = one.lines.read()
        one.close()

    assert b"<html" not in rest


def test_the_end_of_serving_ends_all_followers() -> None:
    """A page whose station stops sees it at once: its connection is closed."""
    with live(site(Look())) as port:
        one = Follower(port)
        one.next_event("beat")
    rest = one.lines.read()
    one.close()

    assert b"<html" not in rest


def _is_over(one: socket.socket) -> bool:
    """Whether the other side has closed it: the kernel then takes nothing more for it."""
    try:
        one.sendall(b"")
        state = one.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 1)[0]
    except OSError:
        return True
    established = 1
    return state != established
