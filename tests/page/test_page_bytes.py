"""Whatever bytes come to the page's port, the next one who asks properly is answered."""

from __future__ import annotations

import logging
import socket
import time
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.page.serving import connections, server
from daemon.page.serving.connections import ConnectionStep
from tests.conftest import LOOPBACK
from tests.page.page_parts import ask, served, site_of, station_view

PIECES = st.sampled_from(
    [
        b"GET", b"HEAD", b"POST", b" ", b"/", b"/metrics", b"/healthz", b"http://[", b"%", b"%zz",
        b"?", b"#", b"HTTP/1.1", b"HTTP/9.9", b"\r\n", b"\n", b"\r\n\r\n", b":", b"\x00", b"\xff",
        b"Host: localhost", b"Host: [::1", b"Host:", b"Content-Length: 5", b"Content-Length: -1",
        b"Content-Length: 99999999999999999999", b"Transfer-Encoding: chunked", b"ffffffff\r\n",
        b"Accept: application/openmetrics-text; version=9", b"Accept: text/plain; version=;q=",
        b"Accept: application/openmetrics-text; version=1.0.0; escaping=x", b"Expect: 100-continue",
        b"Connection: keep-alive", b"X-Forwarded-For: 1", b"X" * 3_000,
    ]
)  # fmt: skip
SAID = st.lists(PIECES | st.binary(max_size=8), max_size=24).map(b"".join)
ACCEPTED = st.text(
    st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="\x7f"), max_size=60
) | st.lists(
    st.sampled_from(
        [
            *(
                "application/openmetrics-text",
                "text/plain",
                ";",
                ",",
                "version=",
                "1.0.0",
                "9",
                "x",
            ),
            *("escaping=", "allow-utf-8", "q=0.5", " ", "*/*"),
        ]
    ),
    max_size=10,
).map("".join)

WHOLE = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
DEEDS = st.lists(
    st.tuples(
        st.integers(0, 11),
        st.sampled_from(["say", "ask", "ask ahead", "listen", "hang up", "reset"]),
        SAID,
    ),
    max_size=60,
)


def test_no_bytes_bring_it_down(caplog: pytest.LogCaptureFixture) -> None:
    """Nothing is logged as a fault of ours, and nobody waits for long."""
    with served(site_of(station_view)) as port, caplog.at_level(logging.ERROR):

        @settings(max_examples=150, suppress_health_check=[*HealthCheck])
        @given(SAID)
        def send(sent: bytes) -> None:
            with socket.create_connection((LOOPBACK, port), timeout=10) as connection:
                connection.sendall(sent)

        send()
        assert 200 == ask(port).status

    assert [] == [each for each in caplog.records if each.levelno >= logging.ERROR]


class Visitors:
    """A dozen who come, say something, and go in any order; nobody minds being cut off."""

    def __init__(self, port: int) -> None:
        """Know where to go."""
        self._port = port
        self._lines: dict[int, socket.socket] = {}

    def do(self, who: int, deed: str, said: bytes) -> None:
        """Have one of them do one thing."""
        line = self._lines.get(who) or self._come(who)
        with suppress(OSError):
            if deed == "listen":
                line.recv(100)
            elif deed in ("hang up", "reset"):
                if deed == "reset":
                    line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0" + b"\0" * 4)
                self._lines.pop(who).close()
            else:
                line.send({"say": said, "ask": WHOLE, "ask ahead": WHOLE * 6}[deed])

    def leave(self) -> None:
        """Have all of them go."""
        for line in self._lines.values():
            line.close()

    def _come(self, who: int) -> socket.socket:
        line = socket.create_connection((LOOPBACK, self._port), timeout=10)
        line.setblocking(False)
        self._lines[who] = line
        return line


def test_no_order_of_visitors_keeps_anybody_out(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With three for each place, and every step cut short, whatever they are at."""
    monkeypatch.setattr(server, "CONNECTIONS", 4)
    monkeypatch.setattr(server, "TICK_S", 0.01)
    monkeypatch.setattr(connections, "GRACE_S", 0.005)
    monkeypatch.setattr(connections, "LONGEST_S", dict.fromkeys(ConnectionStep, 0.02))
    waits: list[float] = []
    with served(site_of(station_view), 4096) as port, caplog.at_level(logging.ERROR):

        @settings(max_examples=60, suppress_health_check=[*HealthCheck])
        @given(DEEDS)
        def visited(deeds: list[tuple[int, str, bytes]]) -> None:
            visitors = Visitors(port)
            try:
                for deed in deeds:
                    visitors.do(*deed)
                began_s = time.monotonic()
                assert 200 == ask(port).status
                waits.append(time.monotonic() - began_s)
            finally:
                visitors.leave()

        visited()

    assert [] == [each for each in caplog.records if each.levelno >= logging.ERROR]
    assert [] == [each for each in waits if each > 1.0]


@pytest.mark.parametrize("kind", ["application/openmetrics-text", "text/plain"])
@pytest.mark.parametrize(
    "version", ["x", "1.x", "1.0.x", "..", "-1", "\u00b2", "9" * 5_000, "=", "2.x", "1.1.x"]
)
def test_a_version_that_is_none_gets_metrics_all_the_same(kind: str, version: str) -> None:
    """In the plainest form, where it cannot be compared with those that there are."""
    with served(site_of(station_view)) as port:
        reply = ask(port, "/metrics", headers={"Accept": f"{kind}; version={version}"})

    assert 200 == reply.status
    assert b"brinewright_practical_salinity" in reply.body


def test_no_header_of_what_is_accepted_brings_it_down() -> None:
    """Metrics are given in one of the forms, whatever is asked for."""
    with served(site_of(station_view)) as port:

        @settings(max_examples=100, suppress_health_check=[*HealthCheck])
        @given(ACCEPTED)
        def accepted(accept: str) -> None:
            reply = ask(port, "/metrics", headers={"Accept": accept})

            assert 200 == reply.status
            assert b"brinewright_practical_salinity" in reply.body

        accepted()
