"""A stage for the driver of published readings: a node, and the broker's end of one connection.

The end of a broker is of this process and of our own packets, so that a test stays quick and
decides when something comes.  Real brokers are in `tests/services`.
"""

from __future__ import annotations

import json
import os
import select
import socket
import time
from pathlib import Path

from simulators import mqtt_packets as mqtt
from simulators.mqtt_packets import Kind, Message
from tests.conftest import LOOPBACK
from tests.parts.driver_stages import driver_of

TOPIC = "fish-room/mix-1/water"
KEYS = """
driver = "mqtt_in"
host = "127.0.0.1"
port = {port}
conductivity = {{ topic = "fish-room/mix-1/water", value = "/ec" }}
temperature = {{ topic = "fish-room/mix-1/water", value = "/t" }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
COMES_WITHIN_S = 20.0
STEPS_APART = 38
"""Calls of `may_send` between two messages: a node publishes about once a period."""


class BrokerEnd:
    """A broker as one subscriber sees it.

    Attributes:
        port: On which it listens.
        filters: What the subscriber has subscribed to on this connection.
    """

    def __init__(self, port: int = 0) -> None:
        """Listen; on a free port, unless one is given."""
        self._listener = socket.create_server((LOOPBACK, port))
        self.port: int = self._listener.getsockname()[1]
        self.filters: list[str] = []
        self._line: socket.socket | None = None
        # While nobody is connected, it stands for our own end: a test counts descriptors.
        self._stand_in = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
        self._packets, self._level = mqtt.Packets(), mqtt.PROTOCOL_LEVEL

    def serve(self, wait_s: float) -> bool:
        """Answer what comes within a time; say whether anything did."""
        ends = [self._listener, *([self._line] if self._line else [])]
        ready, _, _ = select.select(ends, [], [], wait_s)
        if self._listener in ready:
            self.hang_up()
            os.close(self._stand_in)
            self._line = self._listener.accept()[0]
            self._packets, self.filters = mqtt.Packets(), []
        elif self._line in ready and self._line is not None:
            self._answer(self._line)
        return bool(ready)

    def send(self, message: Message, number: int = 1) -> None:
        """Pass a message on, in two pieces; nothing where nobody is connected."""
        if self._line is not None:
            packet = mqtt.publish(message, number, self._level)
            for piece in (packet[:5], packet[5:]):
                self._line.sendall(piece)

    def hang_up(self) -> None:
        """End the connection."""
        if self._line is not None:
            self._line.close()
            self._stand_in = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
        self._line, self.filters = None, []

    def close(self) -> None:
        """End the connection, and listen no more; may be called twice."""
        self.hang_up()
        if self._listener.fileno() >= 0:
            self._listener.close()
            os.close(self._stand_in)

    def _answer(self, line: socket.socket) -> None:
        try:
            chunk = line.recv(4096)
        except ConnectionResetError:
            chunk = b""
        if not chunk:
            self.hang_up()
        for packet in self._packets.feed(chunk):
            if packet.kind == Kind.CONNECT:
                self._level = mqtt.level_of(packet.body)
                line.sendall(mqtt.connack(0, self._level))
            elif packet.kind == Kind.SUBSCRIBE:
                self.filters.append(mqtt.topic_of_subscription(packet, self._level))
                line.sendall(mqtt.suback(mqtt.number_of(packet), 1, self._level))
            elif packet.kind == Kind.PINGREQ:
                line.sendall(mqtt.simple(Kind.PINGRESP))


class Publishing:
    """A node that publishes an object with both values."""

    def __init__(self, folder: Path) -> None:
        """Begin to listen."""
        self.broker = BrokerEnd()
        self.place = f"{LOOPBACK}:{self.broker.port}"
        self.driver = driver_of(KEYS.format(port=self.broker.port))
        self.begun, self.waited, self.plugged = b"", STEPS_APART, True

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """What it says; the line's end is for `say` alone."""
        return json.dumps({"ec": conductivity_mS_cm, "t": temperature_C}).encode() + b"\r\n"

    def say(self, piece: bytes) -> None:
        """Publish what is whole: a broker passes on no half of a message."""
        self.begun += piece
        if self.begun.endswith(b"\n"):
            self.broker.send(Message(TOPIC, self.begun.strip(b"\r\n")))
            self.begun, self.waited = b"", 0
            self._await_arrival()

    def may_send(self, *, due: bool) -> bool:
        """Once a period, while a client is subscribed."""
        self.waited += 1
        descriptor = self.driver.fileno()
        if not self.plugged or descriptor is None:
            return False
        until_s = time.monotonic() + COMES_WITHIN_S
        while TOPIC not in self.broker.filters:
            assert time.monotonic() < until_s, "the driver does not subscribe"
            if select.select([descriptor], [], [], 0)[0]:
                return False  # it has first to take the end of the connection before
            self.broker.serve(0.01)
            if TOPIC in self.broker.filters:
                self._await_arrival()
        self.broker.serve(0.0)
        return bool(self.begun) or self.waited >= STEPS_APART

    def unplug(self) -> None:
        """End the broker."""
        self.broker.close()
        self.plugged = False

    def plug(self) -> None:
        """Start it again under the same address."""
        self.broker, self.begun, self.plugged = BrokerEnd(self.broker.port), b"", True

    def close(self) -> None:
        """Take all away."""
        self.broker.close()

    def _await_arrival(self) -> None:
        descriptor = self.driver.fileno()
        assert descriptor is not None
        assert select.select([descriptor], [], [], COMES_WITHIN_S)[0], "nothing arrives"
