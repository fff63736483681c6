"""Ways to an instrument: what they carry, what they refuse, and that none of them waits."""

from __future__ import annotations

import os
import pty
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from daemon.probes.tcp_transport import CONNECT_S, TcpTransport
from daemon.probes.transport import SerialLine, SerialTransport, Transport, TransportError
from tests.conftest import wait_until

AT_ONCE_S = 0.5
"""Generous for a busy machine; what waits for the kernel here waits for 30 s or for ever."""


@contextmanager
def terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: the descriptor of the far end and the name of ours."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(slave)
        os.close(master)


@contextmanager
def listener() -> Iterator[socket.socket]:
    """A socket on the loopback that takes connections."""
    with socket.create_server(("127.0.0.1", 0)) as one:
        yield one


def write_for_ever(one: Transport) -> None:
    """Write until it is a fault; nobody reads at the other end."""
    while True:
        one.write(b"x" * 10_000)


def connected(one: TcpTransport) -> None:
    """Wait until a connection has come about."""
    wait_until(lambda: one.open(time.monotonic()), "the connection")


def test_a_character_takes_as_long_as_its_bits() -> None:
    """Start, data, parity and stop bits, at the speed of the line."""
    assert 10 / 9600 == SerialLine("/dev/null").character_s
    assert 11 / 19_200 == SerialLine("/dev/null", 19_200, parity="E").character_s
    assert 10 / 1200 == SerialLine("/dev/null", 1200, 7, "E", 1).character_s
    assert "1200 Bd 7E1" == SerialLine("/dev/null", 1200, 7, "E", 1).setting


def test_bytes_go_both_ways_over_a_port() -> None:
    """What is written arrives, what arrives is read, and nothing there is nothing read."""
    with terminal() as (master, name):
        port = SerialTransport(SerialLine(name))
        assert port.open()
        port.write(b"\x01\x03\x00")
        assert b"\x01\x03\x00" == os.read(master, 10)
        assert b"" == port.read()
        os.write(master, b"\xff\x11\x13\x00")
        wait_until(lambda: port.waiting() == 4, "four bytes")
        assert b"\xff\x11\x13\x00" == port.read()
        os.write(master, b"late")
        wait_until(lambda: port.waiting() == 4, "four bytes")
        port.discard()
        assert (0, b"") == (port.waiting(), port.read())
        port.close()
        port.close()
        assert port.fileno() is None
        assert (0, b"") == (port.waiting(), port.read())


def test_seven_bits_and_parity_on_what_carries_bytes_alone_are_no_fault() -> None:
    """Linux refuses them to a pseudo-terminal, such as a bridge to another machine makes."""
    with terminal() as (master, name):
        port = SerialTransport(SerialLine(name, 1200, 7, "E", 1))
        assert port.open()
        port.write(b"?!")
        assert b"?!" == os.read(master, 10)
        port.close()


def test_an_adapter_that_takes_no_more_bytes_is_a_fault_at_once() -> None:
    """Neither does the request wait for it, nor closing."""
    with terminal() as (_, name):
        port = SerialTransport(SerialLine(name))
        port.open()
        began_s = time.monotonic()
        with pytest.raises(TransportError, match=r"hangs\); is the adapter still plugged in\?$"):
            write_for_ever(port)

        assert time.monotonic() - began_s < AT_ONCE_S
        assert port.fileno() is None


def test_what_was_not_sent_is_thrown_away_before_a_port_is_closed() -> None:
    """Linux waits up to half a minute for it otherwise, where the adapter hangs."""
    with terminal() as (master, name):
        port = SerialTransport(SerialLine(name))
        port.open()
        for _ in range(8):
            port.write(b"x" * 1000)
        port.close()
        arrived = 0
        while select.select([master], [], [], 0)[0]:
            arrived += len(os.read(master, 10_000))

        # What the far end had not room for yet, which is more than 4 KB, is gone.
        assert arrived < 8000


def test_a_port_that_goes_is_lost_once_and_opened_again() -> None:
    """Reading, writing, and asking what waits say so, and then it is shut."""
    uses: list[Callable[[SerialTransport], object]] = [
        SerialTransport.read,
        SerialTransport.waiting,
        lambda port: port.write(b"?"),
        lambda port: port.set_break(on=True),
    ]
    for use in uses:
        master, slave = pty.openpty()
        port = SerialTransport(SerialLine(os.ttyname(slave)))
        port.open()
        os.close(slave)
        os.close(master)
        with pytest.raises(TransportError, match=r"^port /dev/pts/\d+: .* plugged in\?$"):
            use(port)
        assert port.fileno() is None


def test_a_port_has_one_user() -> None:
    """A second one is refused, with what to do."""
    with terminal() as (_, name):
        first, second = SerialTransport(SerialLine(name)), SerialTransport(SerialLine(name))
        first.open()
        with pytest.raises(TransportError) as caught:
            second.open()
        first.close()

        assert second.open()
        second.close()
    assert str(caught.value) == (
        f"port {name} cannot be opened: another program holds it; stop that program"
    )


def test_a_break_does_not_wait() -> None:
    """It is begun and ended by two calls, with what was unsent thrown away before."""
    with terminal() as (_, name):
        port = SerialTransport(SerialLine(name, 1200, 7, "E", 1))
        port.open()
        port.write(b"unsent")
        began_s = time.monotonic()
        port.set_break(on=True)
        port.set_break(on=False)

        assert time.monotonic() - began_s < 0.2  # `Serial.send_break` takes 0.25 s
        port.close()


def test_bytes_go_both_ways_over_a_connection() -> None:
    """It is made without waiting, and ends with a sentence when the other side closes it."""
    with listener() as server:
        one = TcpTransport("127.0.0.1", server.getsockname()[1])
        assert one.fileno() is None
        connected(one)
        with closing(server.accept()[0]) as other:
            assert b"" == one.read()
            one.write(b"\x00\x01")
            assert b"\x00\x01" == other.recv(10)
            other.sendall(b"\x02")
            descriptor = one.fileno()
            assert descriptor is not None
            assert select.select([descriptor], [], [], 5.0)[0]
            assert b"\x02" == one.read()
        assert select.select([descriptor], [], [], 5.0)[0]
        with pytest.raises(TransportError, match=f"^{one.place}: it closed the connection; check"):
            one.read()
        assert one.fileno() is None
        connected(one)
        one.close()
        one.close()


def test_a_connection_asks_an_idle_host_whether_it_is_there() -> None:
    """So one whose power failed is noticed, though it says no word."""
    with listener() as server:
        one = TcpTransport("127.0.0.1", server.getsockname()[1])
        connected(one)
        descriptor = one.fileno()
        assert descriptor is not None
        with socket.socket(fileno=os.dup(descriptor)) as same:
            options = [
                same.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE),
                same.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE),
                same.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL),
                same.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT),
                same.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT),
            ]
        one.close()

    assert [1, 5, 2, 3, 5000] == options


def test_a_host_that_takes_no_more_requests_is_a_fault_at_once() -> None:
    """A peer that has stopped reading does not stop the loop."""
    with listener() as server:
        one = TcpTransport("127.0.0.1", server.getsockname()[1])
        connected(one)
        with (
            closing(server.accept()[0]),
            pytest.raises(TransportError, match="it takes no more requests"),
        ):
            write_for_ever(one)


def test_a_port_where_nothing_listens_is_a_sentence() -> None:
    """With the host, the port and what to do; a later try finds what has begun to listen."""
    with listener() as server:
        number = server.getsockname()[1]
    one = TcpTransport("127.0.0.1", number)
    with pytest.raises(TransportError) as caught:
        connected(one)

    assert str(caught.value) == (
        f"127.0.0.1:{number} cannot be reached: Connection refused; nothing listens at that port;"
        " correct the port, or enable the protocol on the instrument"
    )


def test_a_host_that_never_answers_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """After `CONNECT_S` of the caller's own clock, and tried again afterwards."""
    with listener() as server:
        # A connection that is never writable is one that never comes about.
        one = TcpTransport("127.0.0.1", server.getsockname()[1])
        monkeypatch.setattr("daemon.probes.tcp_transport.select.select", lambda *_: ([], [], []))
        assert not one.open(100.0)
        assert not one.open(100.0 + CONNECT_S - 0.1)
        with pytest.raises(TransportError, match="no answer within 5 s; check its power"):
            one.open(100.0 + CONNECT_S)
        monkeypatch.undo()
        connected(one)
        one.close()


def test_a_name_is_looked_up_beside_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    """However long that takes; meanwhile it is a fault now and then, and one thread in all."""
    answer, plain = threading.Event(), socket.getaddrinfo

    def slow(host: str, port: int, *, type: int, flags: int) -> object:  # noqa: A002 - its name
        if flags & socket.AI_NUMERICHOST:
            return plain(host, port, type=type, flags=flags)
        answer.wait(10)
        return plain("127.0.0.1", port, type=type)

    monkeypatch.setattr("daemon.probes.tcp_transport.socket.getaddrinfo", slow)
    with listener() as server:
        one = TcpTransport("transmitter.example", server.getsockname()[1])
        threads = threading.active_count()
        began_s = time.monotonic()
        assert not one.open(100.0)
        assert not one.open(102.0)
        with pytest.raises(TransportError, match="was not looked up within 5 s; check the network"):
            one.open(100.0 + CONNECT_S)
        assert not one.open(107.0)
        assert time.monotonic() - began_s < AT_ONCE_S
        assert threads + 1 == threading.active_count()
        answer.set()
        wait_until(lambda: one.open(108.0), "the connection")
        one.close()


def test_a_name_with_several_addresses_is_tried_at_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """One leads nowhere, and the next one to the host."""
    plain = socket.getaddrinfo

    def both(_host: str, port: int, *, type: int, flags: int) -> object:  # noqa: A002 - its name
        if flags & socket.AI_NUMERICHOST:
            raise socket.gaierror(-2, "Name or service not known")
        # Nothing listens at another address of the loopback either.
        return [*plain("127.9.9.9", port, type=type), *plain("127.0.0.1", port, type=type)]

    monkeypatch.setattr("daemon.probes.tcp_transport.socket.getaddrinfo", both)
    with listener() as server:
        one = TcpTransport("transmitter.example", server.getsockname()[1])
        with pytest.raises(TransportError, match="Connection refused"):
            connected(one)
        connected(one)
        one.close()


def test_a_name_that_nobody_has_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """With what to do, each time that it is tried."""

    def none(*_: object, **__: object) -> object:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr("daemon.probes.tcp_transport.socket.getaddrinfo", none)
    one = TcpTransport("nowhere.example", 502)
    for _ in range(2):
        with pytest.raises(TransportError, match=r"no such host .*; correct the probe's host"):
            connected(one)


def test_a_place_is_written_as_people_write_it() -> None:
    """An address of version 6 stands in brackets."""
    assert "192.0.2.7:502" == TcpTransport("192.0.2.7", 502).place
    assert "[2001:db8::7]:502" == TcpTransport("2001:db8::7", 502).place
    assert "/dev/ttyUSB0" == SerialTransport(SerialLine("/dev/ttyUSB0")).place


def test_a_port_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    """And opened once it is."""
    link = tmp_path / "ttyUSB0"
    port = SerialTransport(SerialLine(str(link)))
    with pytest.raises(TransportError, match="there is no such device; plug the adapter in, or"):
        port.open()
    with terminal() as (_, name):
        link.symlink_to(name)
        assert port.open()
        port.close()
