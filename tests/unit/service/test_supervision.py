"""What the service manager is told: ready, at work, and what is wrong."""

from __future__ import annotations

import math
import os
import socket
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.supervision import (
    Progress,
    Reports,
    ServiceManager,
    SignOfLife,
    Watchdog,
    notify,
)

NO_PORT = "port /dev/ttyUSB0 cannot be opened: no such file"


@dataclass
class Hand:
    """A monotonic clock in the hands of a test."""

    now_s: float = 100.0

    def __call__(self) -> float:
        """Return the moment."""
        return self.now_s


@dataclass
class Manager:
    """The service manager, as far as it listens."""

    messages: list[str] = field(default_factory=list)

    def __call__(self, message: str) -> None:
        """Take a message."""
        self.messages.append(message)


def test_a_message_reaches_the_socket_that_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a datagram; half a letter, which UTF-8 has no way for, does not stop it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        notify("STATUS=salt\ud800")

        assert b"STATUS=salt?" == channel.recv(100)


def test_a_way_that_stays_open_leads_to_whoever_listens_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service manager may start over, and nobody listens meanwhile."""
    address = tmp_path / "notify"
    monkeypatch.setenv("NOTIFY_SOCKET", str(address))
    found = []
    with closing(ServiceManager()) as manager:
        for message in ("WATCHDOG=1", "STATUS=again"):
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
                channel.bind(str(address))
                manager.send(message)
                found.append(channel.recv(100))
            manager.send("nobody listens")
            address.unlink()
            manager.send("and there is no address")

    assert [b"WATCHDOG=1", b"STATUS=again"] == found


def test_nobody_listening_is_no_trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither without a service manager nor with one that has gone."""
    address = tmp_path / "notify"
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind(str(address))
    monkeypatch.setenv("NOTIFY_SOCKET", str(address))
    notify("READY=1")

    assert address.is_socket()


def test_measuring_is_ready_once_every_probe_s_first_word_is_recorded() -> None:
    """Not when the program has started, and not when one of two probes has spoken."""
    manager = Manager()
    reports = Reports(2, manager)
    reports.recorded()
    reports.reported("mix-1/ct-1", "")
    reports.reported("mix-1/ct-1", "")
    reports.recorded()
    before = list(manager.messages)
    reports.reported("mix-1/ct-2", "")
    unrecorded = list(manager.messages)
    reports.recorded()

    assert ([], []) == (before, unrecorded)
    assert ["READY=1", "STATUS=measuring: 2 of 2 probes give readings"] == manager.messages


def test_a_known_fault_is_as_ready_as_it_gets_and_is_named() -> None:
    """A missing port must not keep the machine from starting, nor pass for well."""
    manager = Manager()
    reports = Reports(1, manager)
    reports.reported("mix-1/ct-1", NO_PORT)
    reports.recorded()
    reports.reported("mix-1/ct-1", f"{NO_PORT}, again")
    reports.recorded()
    reports.reported("mix-1/ct-1", "")

    assert [
        "READY=1",
        f"STATUS=measuring: 0 of 1 probes give readings; mix-1/ct-1: {NO_PORT}",
        "STATUS=measuring: 1 of 1 probes give readings",
    ] == manager.messages


def test_an_input_is_named_while_it_fails_and_makes_nothing_ready() -> None:
    """It is no probe: it has no readings that the journal could hold."""
    manager = Manager()
    reports = Reports(1, manager)
    reports.input_reported("pump-1", "")
    reports.input_reported("pump-1", "gone")
    reports.recorded()
    assert [] == manager.messages
    reports.reported("mix-1/ct-1", "")
    reports.recorded()
    reports.input_reported("pump-1", "gone, still")
    reports.input_reported("pump-1", "")

    assert [
        "READY=1",
        "STATUS=measuring: 1 of 1 probes give readings; input pump-1: gone",
        "STATUS=measuring: 1 of 1 probes give readings",
    ] == manager.messages


def test_a_journal_that_cannot_be_written_is_said_until_it_can() -> None:
    """It outweighs what the probes say, and what they say comes back after it."""
    manager = Manager()
    reports = Reports(1, manager)
    reports.reported("mix-1/ct-1", "")
    reports.unrecorded("no space left")
    reports.reported("mix-1/ct-1", NO_PORT)
    reports.recorded()

    assert [
        "READY=1",
        "STATUS=measuring, but nothing is recorded: no space left",
        f"STATUS=measuring: 0 of 1 probes give readings; mix-1/ct-1: {NO_PORT}",
    ] == manager.messages


def test_a_status_is_one_short_line() -> None:
    """Whatever an instrument said in it."""
    manager = Manager()
    reports = Reports(1, manager)
    reports.reported("mix-1/ct-1", "unreadable:\nREADY=1\x1b[31m" + "x" * 500)
    reports.recorded()

    status = manager.messages[-1]
    assert len("STATUS=") + 200 == len(status)
    assert status.isprintable()


def test_a_loop_is_overdue_only_after_what_it_promised() -> None:
    """One that has not begun has promised nothing."""
    clock = Hand()
    loop = Progress("mqtt", clock)
    clock.now_s += 1e6
    never_begun = loop.overdue(), loop.begun
    loop.expect(10.0)
    clock.now_s += 10.0
    in_time = loop.overdue(), loop.begun
    clock.now_s += 0.1
    late = loop.overdue()
    loop.round(60.0)

    assert ((False, False), (False, False), True) == (never_begun, in_time, late)
    assert (False, True) == (loop.overdue(), loop.begun)


def test_publishing_is_ready_once_each_loop_has_come_round() -> None:
    """Each has then worked, or has said why it does not."""
    clock, manager = Hand(), Manager()
    page, mqtt = Progress("the page", clock), Progress("mqtt", clock)
    watchdog = Watchdog((page, mqtt), send=manager, clock=clock)
    page.round(60.0)
    first = watchdog.look()
    mqtt.round(60.0)
    watchdog.look()
    watchdog.look()

    assert () == first
    assert ["WATCHDOG=1", "READY=1", "STATUS=publishing", "WATCHDOG=1", "WATCHDOG=1"] == (
        manager.messages
    )


def test_a_loop_without_a_word_holds_readiness_up_only_so_long() -> None:
    """Then the one that is waited for is named."""
    clock, manager = Hand(), Manager()
    watchdog = Watchdog((Progress("mqtt", clock),), 30.0, manager, clock)
    watchdog.look()
    clock.now_s += 30.0
    watchdog.look()

    assert ["READY=1", "STATUS=no word yet of mqtt"] == manager.messages[1:3]


def test_nobody_vouches_for_a_process_one_of_whose_loops_hangs() -> None:
    """Though the others, and whoever looks, go on."""
    clock, manager = Hand(), Manager()
    page, mqtt = Progress("the page", clock), Progress("mqtt", clock)
    watchdog = Watchdog((page, mqtt), send=manager, clock=clock)
    mqtt.round(5.0)
    clock.now_s += 6.0
    page.round(5.0)

    assert (("mqtt",), []) == (watchdog.look(), manager.messages)


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> None:
    """The environment of a process that a manager watches, which waits half a minute."""
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))


@pytest.mark.usefixtures("watched")
@pytest.mark.parametrize("turn_s", [0.1, 1.0, 7.0, 10.0])
def test_a_loop_gives_three_signs_of_life_while_the_manager_waits(turn_s: float) -> None:
    """However often it comes round, and the first at once; a turn that waits as long as it may."""
    manager, hand = Manager(), Hand()
    sign = SignOfLife(manager, hand)
    given_s: list[float] = []
    while hand.now_s < 400.0:
        sign.round()
        if len(manager.messages) > len(given_s):
            given_s.append(hand.now_s)
        hand.now_s += min(turn_s, sign.wait_s())

    assert {"WATCHDOG=1"} == set(manager.messages)
    assert 100.0 == given_s[0]
    assert all(8.9 <= b - a <= 10.1 for a, b in pairwise(given_s))


@pytest.mark.usefixtures("watched")
def test_a_loop_that_came_late_vouches_at_once() -> None:
    """And promises nothing for the time in which it hung."""
    manager, hand = Manager(), Hand()
    sign = SignOfLife(manager, hand)
    sign.round()
    hand.now_s += 25.0

    assert sign.wait_s() < 0.0
    sign.round()
    assert (2, 10.0) == (len(manager.messages), sign.wait_s())


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "x"},
        {"WATCHDOG_USEC": "9", "WATCHDOG_PID": "1"},
    ],
)
def test_who_is_not_watched_gives_no_sign_of_life(
    environment: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And need not come round for it; another process may be meant."""
    for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    manager = Manager()
    sign = SignOfLife(manager, Hand())
    sign.round()

    assert ([], math.inf) == (manager.messages, sign.wait_s())
