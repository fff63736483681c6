"""Packets of MQTT 3.1.1, as far as a node and the end of a broker need them.

Source: OASIS, MQTT Version 3.1.1 (2014), sections 2 and 3.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import TypeAlias

PROTOCOL_LEVEL = 4
LONGEST_LENGTH = 4
"""Bytes of the length of a packet, seven bits each: 2.2.3."""
MORE = 0x80
"""The bit of such a byte that says that another one follows."""


class Kind(IntEnum):
    """The first four bits of a packet: table 2.1."""

    CONNECT = 1
    CONNACK = 2
    PUBLISH = 3
    PUBACK = 4
    SUBSCRIBE = 8
    SUBACK = 9
    PINGREQ = 12
    PINGRESP = 13
    DISCONNECT = 14


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet.

    Attributes:
        kind: Of `Kind`, or a number that is none of these.
        flags: The other four bits of its first byte.
        body: What follows the length.
    """

    kind: int
    flags: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Message:
    """One message.

    Attributes:
        topic: On which.
        payload: What it says.
        retain: Whether the broker is to keep it.
        qos: 0 or 1.
        again: Whether it was sent before, and perhaps not received (DUP).
    """

    topic: str
    payload: bytes
    retain: bool = False
    qos: int = 0
    again: bool = False


Account: TypeAlias = tuple[str, str]


class PacketError(ValueError):
    """Bytes that are no packet."""


class Packets:
    """Assembles packets from bytes, however they were cut."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self._held = bytearray()

    def feed(self, chunk: bytes) -> list[Packet]:
        """Take bytes; return the packets that became whole.

        Raises:
            PacketError: The length of one does not end.
        """
        self._held += chunk
        found = []
        while (packet := self._next()) is not None:
            found.append(packet)
        return found

    def _next(self) -> Packet | None:
        length = 0
        for count in range(1, LONGEST_LENGTH + 1):
            if len(self._held) <= count:
                return None
            byte = self._held[count]
            length |= byte % MORE << 7 * (count - 1)
            if byte < MORE:
                break
        else:
            raise PacketError("the length of a packet does not end within four bytes")
        end = 1 + count + length
        if len(self._held) < end:
            return None
        packet = Packet(
            self._held[0] >> 4, self._held[0] & 0x0F, bytes(self._held[1 + count : end])
        )
        del self._held[:end]
        return packet


def connect(
    client_id: str, keepalive_s: int, will: Message | None = None, account: Account | None = None
) -> bytes:
    """Return the packet that opens a session without a past: 3.1."""
    flags, payload = 0x02, _text(client_id)
    if will is not None:
        flags |= 0x04 | will.qos << 3 | will.retain << 5
        payload += _text(will.topic) + _sized(will.payload)
    if account is not None:
        flags |= 0xC0
        payload += _text(account[0]) + _text(account[1])
    head = _text("MQTT") + bytes([PROTOCOL_LEVEL, flags]) + struct.pack("!H", keepalive_s)
    return _packet(Kind.CONNECT, 0, head + payload)


def connack(code: int, level: int = PROTOCOL_LEVEL) -> bytes:
    """Return the answer to that, in 3.1.1 or, with no properties, in 5: 3.2."""
    return _packet(Kind.CONNACK, 0, bytes([0, code]) + _properties(level))


def publish(message: Message, number: int = 1, level: int = PROTOCOL_LEVEL) -> bytes:
    """Return the packet of a message: 3.3."""
    flags = message.again << 3 | message.qos << 1 | int(message.retain)
    identifier = struct.pack("!H", number) if message.qos else b""
    body = _text(message.topic) + identifier + _properties(level) + message.payload
    return _packet(Kind.PUBLISH, flags, body)


def puback(number: int) -> bytes:
    """Return the acknowledgement of a message: 3.4."""
    return _packet(Kind.PUBACK, 0, struct.pack("!H", number))


def subscribe(number: int, topic: str) -> bytes:
    """Return the packet that subscribes to one topic with QoS 1: 3.8."""
    return _packet(Kind.SUBSCRIBE, 2, struct.pack("!H", number) + _text(topic) + b"\x01")


def suback(number: int, code: int, level: int = PROTOCOL_LEVEL) -> bytes:
    """Return the answer to that: 3.9."""
    return _packet(Kind.SUBACK, 0, struct.pack("!H", number) + _properties(level) + bytes([code]))


def simple(kind: Kind) -> bytes:
    """Return a packet without a body, such as PINGREQ or DISCONNECT: 3.12 to 3.14."""
    return _packet(kind, 0, b"")


def level_of(body: bytes) -> int:
    """Return the protocol level of a CONNECT: 4 for 3.1.1, and 5."""
    return body[6]


def number_of(packet: Packet) -> int:
    """Return the number of a packet that begins with one."""
    (number,) = struct.unpack_from("!H", packet.body)
    return int(number)


def topic_of_subscription(packet: Packet, level: int = PROTOCOL_LEVEL) -> str:
    """Return the first topic of a SUBSCRIBE."""
    # The properties of a version 5 are short here: their length is one byte.
    at = 2 + (1 + packet.body[2] if level > PROTOCOL_LEVEL else 0)
    return _text_at(packet.body, at)


def _properties(level: int) -> bytes:
    return b"\0" if level > PROTOCOL_LEVEL else b""


def _packet(kind: Kind, flags: int, body: bytes) -> bytes:
    length, left = bytearray(), len(body)
    while True:
        left, low = divmod(left, MORE)
        length.append(low | (MORE if left else 0))
        if not left:
            return bytes([kind << 4 | flags]) + bytes(length) + body


def _sized(data: bytes) -> bytes:
    return struct.pack("!H", len(data)) + data


def _text(text: str) -> bytes:
    return _sized(text.encode())


def _text_at(body: bytes, at: int) -> str:
    (size,) = struct.unpack_from("!H", body, at)
    return body[at + 2 : at + 2 + size].decode()
