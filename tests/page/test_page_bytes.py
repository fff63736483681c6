"""Whatever bytes come to the page's port, the next one who asks properly is answered."""

from __future__ import annotations

import logging
import socket

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.page.application import Application
from tests.conftest import LOOPBACK
from tests.page.page_parts import ask, present, served

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
ACCEPTED = st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=60) | st.lists(
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


def test_no_bytes_bring_it_down(caplog: pytest.LogCaptureFixture) -> None:
    """Nothing is logged as a fault of ours, and nobody waits for long."""
    with served(Application(present)) as port, caplog.at_level(logging.ERROR):

        @settings(max_examples=150, suppress_health_check=[*HealthCheck])
        @given(SAID)
        def said(sent: bytes) -> None:
            with socket.create_connection((LOOPBACK, port), timeout=10) as connection:
                connection.sendall(sent)

        said()
        assert 200 == ask(port).status

    assert [] == [each for each in caplog.records if each.levelno >= logging.ERROR]


def test_no_header_of_what_is_accepted_brings_it_down() -> None:
    """Metrics are given in one of the forms, whatever is asked for."""
    with served(Application(present)) as port:

        @settings(max_examples=100, suppress_health_check=[*HealthCheck])
        @given(ACCEPTED)
        def accepted(accept: str) -> None:
            reply = ask(port, "/metrics", headers={"Accept": accept})

            assert 200 == reply.status
            assert b"brinewright_practical_salinity" in reply.body

        accepted()
