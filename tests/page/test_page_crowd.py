"""Whoever is slow holds nobody up: sixty of each kind, and more than there are places.

The limits are promises: a request that comes whole is answered within a second.  It takes some
milliseconds; the rest is for a busy machine.
"""

from __future__ import annotations

import http.client
import select
import socket
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack, closing
from typing import Any

import pytest

from daemon.page.serving import connections, server
from daemon.page.serving.channel import MOST_AHEAD, PageChannel
from daemon.page.serving.connections import ConnectionStep
from daemon.page.view import StationView
from tests.conftest import LOOPBACK, wait_until
from tests.page.crowd_parts import ASKED, ASKED_FOR_LONG, KINDS, crowding
from tests.page.page_parts import ask, served, site_of, station_view

PROMISED_S = 1.0
MIXED = "idle+head"
LONG = b"x" * 200_000
FEW = 20
SITE = site_of(station_view)


def page(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """The page, with an answer besides that is longer than the kernel takes."""
    if environ.get("QUERY_STRING") != "long":
        return SITE(environ, start_response)
    start_response("200 OK", [("Content-Length", str(len(LONG)))])
    return [LONG]


def ten_requests(port: int) -> list[tuple[int, bool]]:
    """Ask ten times; the status of each answer, and whether it came as soon as promised."""
    found = []
    for number in range(10):
        began_s = time.monotonic()
        status = ask(port, ("/", "/metrics")[number % 2]).status
        found.append((status, time.monotonic() - began_s < PROMISED_S))
        time.sleep(0.05)
    return found


def dialled(stack: ExitStack, port: int, source: str = LOOPBACK) -> socket.socket:
    """A connection of its own."""
    one = socket.create_connection((LOOPBACK, port), timeout=15, source_address=(source, 0))
    return stack.enter_context(one)


def whole_answer(one: socket.socket) -> bytes:
    """Read one page to its end."""
    return whole_answers(one, 1)


def whole_answers(one: socket.socket, count: int) -> bytes:
    """Read so many pages to the end."""
    told = b""
    while told.count(b"</html>") < count:
        more = one.recv(65_536)
        assert more, "it was cut off"
        told += more
    return told


def is_over(one: socket.socket) -> bool:
    """Whether the other side has closed a connection, whatever is still to be read."""
    look = select.poll()
    look.register(one, select.POLLRDHUP)
    return bool(look.poll(0))


@pytest.mark.parametrize("kind", [*KINDS, MIXED])
def test_sixty_slow_ones_delay_nobody(kind: str) -> None:
    """Who sends nothing, or a byte now and then, or reads so, or only stays."""
    with served(page, 4096) as port, crowding(port, *kind.split("+"), count=60):
        assert [(200, True)] * 10 == ten_requests(port)


@pytest.mark.parametrize("kind", [*KINDS, MIXED])
def test_more_slow_ones_than_places_delay_nobody(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three for each place, and each comes again as soon as it is cut off."""
    monkeypatch.setattr(server, "CONNECTIONS", FEW)
    with (
        served(page, 4096) as port,
        crowding(port, *kind.split("+"), count=3 * FEW, sources=2) as crowd,
    ):
        # A slow reader does not notice that it was cut.
        wait_until(lambda: crowd.cut > 0 or kind == "reader", "the first that has to make room")

        assert [(200, True)] * 10 == ten_requests(port)


def test_a_connection_that_is_in_use_is_not_cut_for_a_crowd(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A collector of metrics asks ten times over the same one."""
    monkeypatch.setattr(server, "CONNECTIONS", FEW)
    with served(page) as port, closing(http.client.HTTPConnection(LOOPBACK, port, 10)) as one:
        one.request("GET", "/metrics")
        one.getresponse().read()
        line = one.sock
        with crowding(port, "head", "silent", count=2 * FEW):
            for _ in range(10):
                one.request("GET", "/metrics")
                assert b"brinewright_practical_salinity" in one.getresponse().read()
                time.sleep(0.1)

        assert one.sock is line


def test_a_crowd_from_one_machine_takes_no_place_of_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Who has most connections gives them up, whoever has been slow for longer."""
    monkeypatch.setattr(server, "CONNECTIONS", FEW)
    with served(page) as port, ExitStack() as stack:
        other = dialled(stack, port, "127.0.0.9")
        other.sendall(b"GET / HTTP/1.1\r\nHost: localh")
        with crowding(port, "silent", count=3 * FEW) as crowd:
            wait_until(lambda: crowd.cut > FEW, "the crowd to be cut")
            other.sendall(b"ost\r\n\r\n")

            assert whole_answer(other).startswith(b"HTTP/1.1 200")


def test_a_request_that_is_being_answered_is_never_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """However long our answer takes, and however many came after it."""
    monkeypatch.setattr(server, "CONNECTIONS", 4)
    monkeypatch.setattr(connections, "LONGEST_S", dict.fromkeys(ConnectionStep, 0.1))
    begun, may_go_on = threading.Event(), threading.Event()

    def hesitating(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        if environ["PATH_INFO"] == "/slow":
            begun.set()
            may_go_on.wait(20)
        return page(environ | {"PATH_INFO": "/"}, start_response)

    with served(hesitating) as port, ExitStack() as stack:
        one = dialled(stack, port)
        one.sendall(b"GET /slow HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert begun.wait(10)
        with crowding(port, "head", count=12) as crowd:
            wait_until(lambda: crowd.cut > 12, "the crowd to be cut", 20)
            assert [(200, True)] * 10 == ten_requests(port)
        may_go_on.set()

        assert whole_answer(one).startswith(b"HTTP/1.1 200")


def test_those_who_ask_at_once_are_shown_one_look(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thirty who wait while two look cost no look each, but one that began after they asked."""
    looks: list[None] = []
    came: list[None] = []
    may_look = threading.Event()

    def look() -> StationView:
        looks.append(None)
        may_look.wait(10)
        return station_view()

    received = PageChannel.received

    def note(channel: PageChannel, data: bytes) -> bool:
        taken = received(channel, data)
        came.append(None)
        return taken

    monkeypatch.setattr(PageChannel, "received", note)
    with served(site_of(look)) as port, ExitStack() as stack:
        lines = [dialled(stack, port) for _ in range(2 + 30)]
        for line in lines[:2]:
            line.sendall(ASKED)
        wait_until(lambda: len(looks) == 2, "both threads to look")
        for line in lines[2:]:
            line.sendall(ASKED)
        wait_until(lambda: len(came) == len(lines), "the others to ask")
        may_look.set()
        for line in lines:
            assert whole_answer(line).startswith(b"HTTP/1.1 200")

    assert len(looks) in (3, 4)  # two threads may begin one each


def test_answers_that_nobody_reads_hold_no_thread() -> None:
    """With more of them than threads, each longer than the kernel takes."""
    with served(page, 4096) as port, ExitStack() as stack:
        for _ in range(8):
            dialled(stack, port).sendall(ASKED_FOR_LONG * MOST_AHEAD)

        assert [(200, True)] * 10 == ten_requests(port)


@pytest.mark.parametrize(
    "step, said, first",
    [
        (ConnectionStep.RECEIVING, b"", b""),
        (ConnectionStep.RECEIVING, b"GET / HTTP/1.1\r\nHost: local", b""),
        (
            ConnectionStep.RECEIVING,
            b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nx",
            b"",
        ),
        (ConnectionStep.RECEIVING, b"\r\n\r\n", b""),
        (ConnectionStep.IDLE, ASKED, b"HTTP/1.1 200"),
        (ConnectionStep.RECEIVING, ASKED + b"GET", b"HTTP/1.1 200"),
        (ConnectionStep.SENDING, ASKED_FOR_LONG, b"HTTP/1.1 200"),
    ],
)
def test_who_takes_too_long_is_shown_the_door(
    step: ConnectionStep, said: bytes, first: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At whatever step, with all other places free; what was answered before has come."""
    monkeypatch.setattr(
        connections, "LONGEST_S", dict.fromkeys(ConnectionStep, 3600.0) | {step: 0.3}
    )
    with served(page, 4096) as port, ExitStack() as stack:
        slow = dialled(stack, port)
        slow.sendall(said)
        wait_until(lambda: is_over(slow), "the end")

        assert slow.recv(65_536).startswith(first)


def test_a_wall_clock_that_jumps_cuts_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer without a battery begins years back, and is set while a page is open."""
    with served(page) as port, ExitStack() as stack:
        one = dialled(stack, port)
        one.sendall(ASKED)
        whole_answer(one)
        wall = time.time
        monkeypatch.setattr(time, "time", lambda: wall() + 365.0 * 86_400)
        for _ in range(3):  # whoever is overdue is looked for once a second
            ten_requests(port)
        one.sendall(ASKED)

        assert whole_answer(one).startswith(b"HTTP/1.1 200")


def test_requests_in_advance_are_answered_up_to_a_number() -> None:
    """In order; beyond it the connection ends, and the next one is served."""
    with served(page) as port, ExitStack() as stack:
        one = dialled(stack, port)
        one.sendall(ASKED * MOST_AHEAD)
        assert MOST_AHEAD == whole_answers(one, MOST_AHEAD).count(b"HTTP/1.1 200")
        greedy = dialled(stack, port)
        greedy.sendall(ASKED * (MOST_AHEAD + 1))
        wait_until(lambda: is_over(greedy), "the end")

        assert 200 == ask(port).status
