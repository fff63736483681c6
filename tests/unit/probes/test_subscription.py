"""A connection to brokers that are old, silent, rude or wrong, at our own end of one."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from simulators import mqtt_packets as mqtt
from simulators.mqtt_packets import Kind, Message
from tests.conftest import LOOPBACK
from tests.parts.driver_run import DriverRun, running
from tests.parts.stage_mqtt_in import KEYS, TOPIC

READING = b'{"ec": 42.914, "t": 24.5}'
UNSUBSCRIBE = 10
Answer = Callable[[mqtt.Packet, int], list[bytes]]


class OddBroker:
    """A broker in a thread that answers each packet as the test says; nothing ends the connection.

    Attributes:
        port: On which it listens.
        levels: The protocol level of each CONNECT that came: 5, or 4 for 3.1.1.
    """

    def __init__(self, answer: Answer) -> None:
        """Listen, and answer one connection after another."""
        self._listener = socket.create_server((LOOPBACK, 0))
        self._listener.settimeout(0.02)
        self.port: int = self._listener.getsockname()[1]
        self.levels: list[int] = []
        self._answer, self._stop = answer, threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def close(self) -> None:
        """End."""
        self._stop.set()
        self._thread.join()
        self._listener.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                line = self._listener.accept()[0]
            except TimeoutError:
                continue
            with line:
                line.settimeout(0.02)
                self._converse(line)

    def _converse(self, line: socket.socket) -> None:
        packets, level = mqtt.Packets(), mqtt.PROTOCOL_LEVEL
        while not self._stop.is_set():
            try:
                chunk = line.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not chunk:
                return
            for packet in packets.feed(chunk):
                if packet.kind == Kind.CONNECT:
                    level = mqtt.level_of(packet.body)
                    self.levels.append(level)
                for words in self._answer(packet, level):
                    if not words:
                        return
                    line.sendall(words)


@contextmanager
def reading(answer: Answer) -> Iterator[tuple[DriverRun, OddBroker]]:
    """Have a driver read at such a broker."""
    broker = OddBroker(answer)
    try:
        with running(KEYS.format(port=broker.port)) as run:
            yield run, broker
    finally:
        broker.close()


def usual(packet: mqtt.Packet, level: int) -> list[bytes]:
    """What a right broker says; a reading follows the subscription."""
    if packet.kind == Kind.CONNECT:
        return [mqtt.connack(0, level)]
    if packet.kind == Kind.SUBSCRIBE:
        return [
            mqtt.suback(mqtt.number_of(packet), 1, level),
            mqtt.publish(Message(TOPIC, READING), level=level),
        ]
    return []


def old_refusing(packet: mqtt.Packet, level: int) -> list[bytes]:
    """A broker of 3.1.1 that refuses another version as that standard says: 3.2.2.3, code 1."""
    if packet.kind == Kind.CONNECT and level > mqtt.PROTOCOL_LEVEL:
        return [mqtt.connack(1), b""]
    return usual(packet, level)


def old_leaving(packet: mqtt.Packet, level: int) -> list[bytes]:
    """A broker of 3.1.1 that ends the connection without a word."""
    if packet.kind == Kind.CONNECT and level > mqtt.PROTOCOL_LEVEL:
        return [b""]
    return usual(packet, level)


@pytest.mark.parametrize("answer", [old_refusing, old_leaving])
def test_a_broker_of_the_older_version_is_read(answer: Answer) -> None:
    """Without a fault: the version is found out in the first moment."""
    with reading(answer) as (run, broker):
        sample = run.until_value()

    assert 42.914 == sample.conductivity_mS_cm
    assert [5, 4] == broker.levels
    assert [] == run.faults()


def test_a_broker_that_never_answers_is_tried_in_both_versions(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Something listens there, and it is no broker."""
    monkeypatch.setattr("daemon.probes.subscription.ANSWER_S", 0.1)
    monkeypatch.setattr("daemon.probes.subscription.LOOP_S", 0.02)
    with reading(lambda _packet, _level: []) as (run, broker):
        fault = run.until_fault("is it an MQTT broker?")

    assert [5, 4] == broker.levels[:2]
    assert f"{LOOPBACK}:{broker.port}" in fault


def test_what_is_no_mqtt_is_a_sentence() -> None:
    """A web server answers in words of its own."""
    with reading(lambda _packet, _level: [b"HTTP/1.1 400 Bad Request\r\n\r\n", b""]) as (run, _):
        fault = run.until_fault("broker")

    assert "; " in fault or fault.endswith("?")


@pytest.mark.parametrize(
    "words",
    [
        b"\xff" * 64,
        mqtt.publish(Message("\x00", b"x")),
        b"\x30\x04\x00\x02\xff\xfe",
        b"\x30\x02\xff\xff",
        b"\x90\x01\x00",
        b"\x20\x00",
        b"\x40\x00",
        b"\x00\x00",
    ],
)
def test_a_broken_packet_ends_nothing_for_good(words: bytes) -> None:
    """A topic that is no text, a length that is none: the driver connects again and reads."""
    sent = list[bytes]()

    def answer(packet: mqtt.Packet, level: int) -> list[bytes]:
        said = usual(packet, level)
        if packet.kind == Kind.SUBSCRIBE and not sent:
            sent.append(words)
            return [said[0], words, b""]
        return said

    with reading(answer) as (run, _):
        run.until_value()

    assert [words] == sent
    assert all(each.isprintable() for each in run.faults())


def test_a_refused_subscription_is_a_sentence() -> None:
    """The broker's answer to it says so: 0x80 and more."""

    def answer(packet: mqtt.Packet, level: int) -> list[bytes]:
        if packet.kind == Kind.SUBSCRIBE:
            return [mqtt.suback(mqtt.number_of(packet), 0x87, level)]
        return usual(packet, level)

    with reading(answer) as (run, broker):
        fault = run.until_fault("refused to give")

    assert (
        f"broker {LOOPBACK}:{broker.port} refused to give '{TOPIC}': Not authorized;"
        " allow clients without an account to read there"
    ) == fault


def test_a_broker_that_was_spoken_to_once_is_tried_in_no_other_version(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One that hangs for a while speaks what it spoke before."""
    monkeypatch.setattr("daemon.probes.subscription.ANSWER_S", 0.1)
    monkeypatch.setattr("daemon.probes.subscription.LOOP_S", 0.02)

    def answer(packet: mqtt.Packet, level: int) -> list[bytes]:
        hangs = len(broker.levels) > 1
        return [] if hangs else [*usual(packet, level), *([b""] if packet.kind == 8 else [])]

    with reading(answer) as (run, broker):
        run.until_value()
        run.until(lambda: len(broker.levels) > 3, "further attempts")

    assert {5} == set(broker.levels)


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look for life after a tenth of a second."""
    monkeypatch.setattr("daemon.probes.mqtt_in.QUIET_PERIODS", 0.05)
    monkeypatch.setattr("daemon.probes.subscription.SIGN_S", 0.1)
    monkeypatch.setattr("daemon.probes.subscription.LOOP_S", 0.02)


@pytest.mark.usefixtures("hurried")
def test_a_link_that_is_cut_without_a_word_is_found_out_by_a_sign_of_life() -> None:
    """The connection stays open, and nothing is answered any more; the next one is read."""

    def answer(packet: mqtt.Packet, level: int) -> list[bytes]:
        cut = packet.kind not in {Kind.CONNECT, Kind.SUBSCRIBE}
        return [] if cut else usual(packet, level)

    with reading(answer) as (run, broker):
        run.until_fault("no sign of life")
        run.until_value()

    assert {5} == set(broker.levels)


@pytest.mark.usefixtures("hurried")
def test_a_quiet_node_at_a_broker_that_lives_ends_no_connection() -> None:
    """The broker answers, so the silence is the node's."""

    def answer(packet: mqtt.Packet, level: int) -> list[bytes]:
        if packet.kind == UNSUBSCRIBE:
            return [unsuback(mqtt.number_of(packet), level)]
        return usual(packet, level)

    with reading(answer) as (run, broker):
        run.until_fault("nothing came on")

    assert [5] == broker.levels


def unsuback(number: int, level: int) -> bytes:
    """The answer to an UNSUBSCRIBE, in 5 with a reason for each topic: 3.11."""
    more = b"\0\x11" if level > mqtt.PROTOCOL_LEVEL else b""
    return bytes([0xB0, 2 + len(more)]) + number.to_bytes(2, "big") + more
