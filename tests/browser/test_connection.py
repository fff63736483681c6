"""A page says at once, in words, when it is not live any more, and goes on without a reload."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.journal.writer import Writer
from tests.browser.liveness import (
    is_marked,
    mark,
    seconds_until,
    sleep,
    wake,
    words_of_liveness,
)
from tests.browser.looks import photograph
from tests.browser.served import answers, page_section
from tests.browser.windows import CONNECTION_LOST, DESK, PHONE, Windows
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.parts.numbered import reading
from tests.services.service_parts import Process, Station, running

AT_ONCE_S = 4.0
"""For what a closed connection tells, on a busy machine; before a beat could be overdue."""
BEATS_S = 15.0
"""For what only silence tells: a beat that is overdue, on a busy machine."""


@dataclass
class Publishing:
    """A publishing process with a page.

    Attributes:
        process: It.
        port: Of the page.
    """

    process: Process
    port: int

    @property
    def address(self) -> str:
        """Of its first page."""
        return f"http://{LOOPBACK}:{self.port}/"

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        os.kill(self.process.pid, number)

    def start(self) -> None:
        """Start it again, and wait until the page answers."""
        self.process.start()
        wait_until(lambda: answers(self.port), "the page")


@pytest.fixture
def publishing(tmp_path: Path) -> Iterator[Publishing]:
    """A publishing process, with something in its journal."""
    port = find_free_port()
    station = Station(tmp_path, speed=1, more=page_section(port))
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1)], 0.0)
    words = ("daemon.publish", "--config", str(station.config))
    with running("publish", *words, folder=tmp_path) as process:
        wait_until(lambda: answers(port), "the page")
        yield Publishing(process, port)
        process.kill()
        assert "Traceback" not in "\n".join(process.output_lines)


def test_a_lost_connection_is_said_at_once_and_regained(
    windows: Windows, publishing: Publishing
) -> None:
    """Two windows see publishing killed: both say so, and both go on once it is back."""
    windows.expected = [CONNECTION_LOST]
    pages = [windows.open(publishing.address, DESK), windows.open(publishing.address, PHONE)]
    for each in pages:
        seconds_until(each, "live")
        mark(each)
    publishing.process.kill()
    waits = [seconds_until(each, "lost", AT_ONCE_S) for each in pages]
    words = [words_of_liveness(each) for each in pages]
    photograph(pages[1], "lost-360")
    publishing.start()
    for each in pages:
        seconds_until(each, "live")

    assert max(waits) < AT_ONCE_S
    assert [True, True] == ["Not live" in each for each in words]
    assert [True, True] == [is_marked(each) for each in pages]
    assert [False, False] == ["Not live" in words_of_liveness(each) for each in pages]


def test_a_service_that_hangs_is_said_and_regained(
    windows: Windows, publishing: Publishing
) -> None:
    """Its connection stays open and nothing comes: a beat is overdue."""
    windows.expected = [CONNECTION_LOST]
    page = windows.open(publishing.address)
    seconds_until(page, "live")
    mark(page)
    publishing.send(signal.SIGSTOP)
    try:
        waited_s = seconds_until(page, "lost", BEATS_S)
    finally:
        publishing.send(signal.SIGCONT)
    seconds_until(page, "live")

    assert waited_s < BEATS_S
    assert is_marked(page)


def test_a_phone_that_slept_is_live_again_when_it_wakes(
    windows: Windows, publishing: Publishing
) -> None:
    """Publishing was restarted meanwhile; the page says what it is, and goes on."""
    windows.expected = [CONNECTION_LOST]
    page = windows.open(publishing.address, PHONE)
    seconds_until(page, "live")
    mark(page)
    sleep(page)
    publishing.process.kill()
    publishing.start()
    wake(page)
    seconds_until(page, "live")

    assert is_marked(page)


def test_a_window_without_a_network_says_so(windows: Windows, publishing: Publishing) -> None:
    """As a phone does that left the building; it goes on when it is back."""
    windows.expected = [CONNECTION_LOST, r"net::ERR_INTERNET_DISCONNECTED"]
    page = windows.open(publishing.address, PHONE)
    seconds_until(page, "live")
    page.context.set_offline(True)
    waited_s = seconds_until(page, "lost", BEATS_S)
    page.context.set_offline(False)
    seconds_until(page, "live")

    assert waited_s < BEATS_S
