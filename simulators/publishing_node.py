"""A small wireless node that publishes what its probe measures, and what goes wrong with one.

It speaks MQTT 3.1.1 over a socket of its own and by packets of its own, so that it shares
nothing with a client library.  Its wall clock may be wrong, as that of a node without a battery.
"""

from __future__ import annotations

import json
import socket
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from simulators import mqtt_packets as mqtt
from simulators.mqtt_packets import Kind, Message

ANSWER_S = 20.0
ONLINE, OFFLINE = b"online", b"offline"
EPOCH_S = 1_772_438_400.0
"""2026-03-02 08:00 UTC, s since 1970: when simulated time begins."""
FACTOR = {"mS/cm": 1.0, "uS/cm": 1000.0, "S/m": 0.1}


class NodeError(ConnectionError):
    """The broker refuses the node, or ends its connection."""


@dataclass(frozen=True, slots=True)
class NodeCharacter:
    """What a node is like.

    Attributes:
        base: Beginning of its topics.
        form: "json" for one object with both values, "plain" for two topics with a number each.
        unit: Of the conductivity.
        stamped: Whether an object says when its values were measured.
        clock_off_s: How far its wall clock is ahead, s.
        retain: Whether the broker keeps the newest values.
        qos: Of the values, 0 or 1.
        keepalive_s: After half as much again of silence the broker says that it is gone, s.
        account: Name and password at the broker; None for none.
    """

    base: str = "fish-room/mix-1"
    form: str = "json"
    unit: str = "mS/cm"
    stamped: bool = True
    clock_off_s: float = 0.0
    retain: bool = True
    qos: int = 1
    keepalive_s: int = 30
    account: mqtt.Account | None = None


@dataclass(slots=True)
class NodeTrouble:
    """What is wrong with it now.

    Attributes:
        stuck: Whether it publishes the same values with the same time stamp for ever.
        other_unit: Whether a new program on it publishes in another unit, a thousand times more.
        reshaped: Whether a new program on it names things otherwise.
        wordy: Whether it says "nan" instead of a number.
        twice: Whether it publishes each message a second time, as after a lost acknowledgement.
    """

    stuck: bool = False
    other_unit: bool = False
    reshaped: bool = False
    wordy: bool = False
    twice: bool = False


@dataclass(slots=True)
class PublishingNode:
    """A node at a broker.

    Attributes:
        host: Of the broker.
        port: Of the broker.
        character: What it is like.
        trouble: What is wrong with it now.
    """

    host: str
    port: int
    character: NodeCharacter = field(default_factory=NodeCharacter)
    trouble: NodeTrouble = field(default_factory=NodeTrouble)
    _line: socket.socket | None = None
    _packets: mqtt.Packets = field(default_factory=mqtt.Packets)
    _number: int = 0
    _last: tuple[float, float, float] | None = None

    def __enter__(self) -> Self:
        """Connect."""
        self.connect()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _exc: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Leave without a word."""
        self.vanish()

    @property
    def status_topic(self) -> str:
        """Where it says that it is there, and its last will that it is gone."""
        return f"{self.character.base}/status"

    def connect(self) -> None:
        """Connect, leave a last will with the broker, and say that it is there.

        Raises:
            NodeError: The broker refuses.
        """
        character = self.character
        self._line = socket.create_connection((self.host, self.port), ANSWER_S)
        self._packets = mqtt.Packets()
        will = Message(self.status_topic, OFFLINE, retain=True, qos=1)
        name = character.base.replace("/", "-")[:23]
        self._send(mqtt.connect(name, character.keepalive_s, will, character.account))
        answer = self._await(Kind.CONNACK)
        if answer.body[1]:
            raise NodeError(f"the broker refused the node: code {answer.body[1]}")
        self.publish(Message(self.status_topic, ONLINE, retain=True, qos=1))

    def measure(self, t_s: float, conductivity_mS_cm: float, temperature_C: float) -> None:
        """Publish what it measured at a simulated time."""
        for message in self.messages(t_s, conductivity_mS_cm, temperature_C):
            self.publish(message)
            if self.trouble.twice:
                self.publish(message)

    def messages(
        self, t_s: float, conductivity_mS_cm: float, temperature_C: float
    ) -> list[Message]:
        """Return what it publishes of values of a simulated time."""
        if not self.trouble.stuck or self._last is None:
            self._last = (t_s, conductivity_mS_cm, temperature_C)
        measured_s, conductivity, temperature = self._last
        character = self.character
        factor = FACTOR[character.unit] * (1000.0 if self.trouble.other_unit else 1.0)
        said = round(conductivity * factor, 4)
        if character.form == "plain":
            return [
                self._message("conductivity", self._plain(said)),
                self._message("temperature", self._plain(temperature)),
            ]
        return [self._message("water", self._object(measured_s, said, temperature))]

    def publish(self, message: Message) -> None:
        """Send a message, and wait until the broker has it where it acknowledges it.

        Raises:
            NodeError: The broker ended the connection.
        """
        self._number = self._number % 65_535 + 1
        self._send(mqtt.publish(message, self._number))
        if message.qos:
            self._await(Kind.PUBACK)

    def live(self) -> None:
        """Say that it is still there, so that the broker does not take it for gone.

        Raises:
            NodeError: The broker ended the connection.
        """
        self._send(mqtt.simple(Kind.PINGREQ))
        self._await(Kind.PINGRESP)

    def leave(self) -> None:
        """Say good-bye, so that its last will is not published, and end."""
        self.publish(Message(self.status_topic, OFFLINE, retain=True, qos=1))
        self._send(mqtt.simple(Kind.DISCONNECT))
        self.vanish()

    def vanish(self) -> None:
        """Lose power: the connection ends without a word, and the broker publishes its will."""
        if self._line is not None:
            self._line.close()
        self._line = None

    def fade(self) -> socket.socket | None:
        """Go out of range: nothing more comes, and the broker's end stays open.

        Returns:
            The open socket, for whoever must close it in the end.
        """
        line, self._line = self._line, None
        return line

    def _message(self, leaf: str, payload: bytes) -> Message:
        character = self.character
        return Message(f"{character.base}/{leaf}", payload, character.retain, character.qos)

    def _plain(self, number: float) -> bytes:
        return b"nan" if self.trouble.wordy else f"{number:g}".encode()

    def _object(self, t_s: float, conductivity: float, temperature: float) -> bytes:
        value: float | str = "nan" if self.trouble.wordy else conductivity
        reading: dict[str, object] = {"conductivity": value, "temperature": temperature}
        if self.trouble.reshaped:
            reading = {"values": [value, temperature]}
        reading["unit"] = "uS/cm" if self.trouble.other_unit else self.character.unit
        if self.character.stamped:
            reading["time"] = round(EPOCH_S + t_s + self.character.clock_off_s, 3)
        return json.dumps(reading).encode()

    def _send(self, packet: bytes) -> None:
        if self._line is None:
            raise NodeError("the node is not connected")
        self._line.sendall(packet)

    def _await(self, kind: Kind) -> mqtt.Packet:
        while self._line is not None:
            chunk = self._line.recv(4096)
            if not chunk:
                break
            for packet in self._packets.feed(chunk):
                if packet.kind == kind:
                    return packet
        raise NodeError("the broker ended the connection of the node")
