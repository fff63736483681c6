"""What bytes look like: lines of text, text with a parity bit, Modbus, SDI-12, or nothing of it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

ENOUGH = 12
"""Bytes; fewer say nothing about what they are.  Our own choice."""
MOSTLY = 0.95
"""Share of bytes that must be text: a first line may be cut, and a cable may crackle."""
MODBUS_SPEEDS = "9600 or 19200"
PLAIN = frozenset(b"\r\n\t" + bytes(range(0x20, 0x7F)))
"""Bytes of ASCII text."""
FOREIGN = frozenset("°µ²·º".encode("latin-1") + "°µ²·ºμ".encode())
"""Bytes of the signs of units that are no ASCII, in Latin-1 and in UTF-8."""
COVERED = 0.5
"""Share of bytes that Modbus frames must make up; noise holds one by chance, rarely."""
_LINE_ENDS = re.compile(rb"[\r\n]+")
_SDI12_REPLY = re.compile(rb"[0-9A-Za-z](?:[+-]\d+(?:\.\d*)?){1,20}(?:[@-\x7f]{3})?")
_SDI12_COMMAND = re.compile(rb"[0-9A-Za-z?](?:[MC]C?[0-9]?|D[0-9]|R[0-9]|I|V|A[0-9A-Za-z])?!")
_READ_FUNCTIONS = (3, 4)
_EXCEPTION = 0x80
_LARGEST_ADDRESS = 247
_REPLY_EXTRA = 5
_REQUEST_LENGTH = 8
_MOST_REGISTERS = 125


class Look(StrEnum):
    """What bytes look like."""

    SILENCE = "silence"
    TEXT = "text"
    MODBUS = "Modbus RTU"
    SDI12 = "SDI-12"
    NOISE = "noise"


@dataclass(frozen=True, slots=True)
class Appearance:
    """What bytes look like, and with which frame of the line they would read right.

    Attributes:
        look: The kind.
        data: The bytes, with a parity bit taken away where there was one.
        bytesize: Data bits of a character: 7 or 8.
        parity: "N", "E" or "O".
        why: How it is known, in words.
    """

    look: Look
    data: bytes
    bytesize: int = 8
    parity: str = "N"
    why: str = ""


def appearance_of(data: bytes) -> Appearance:
    """Return what bytes look like that were read with 8 data bits and no parity."""
    if not data:
        return Appearance(Look.SILENCE, data, why="no byte came")
    units = modbus_units(data)
    if units:
        named = ", ".join(map(str, units))
        why = f"frames with a right check sum, of address {named}"
        return Appearance(Look.MODBUS, data, why=why)
    if len(data) < ENOUGH:
        return Appearance(Look.NOISE, data, why=f"{len(data)} bytes are too few to tell")
    for bytesize, parity, text, why in _readings(data):
        if is_text(text):
            look = Look.SDI12 if _is_sdi12(text) else Look.TEXT
            return Appearance(look, text, bytesize, parity, why)
    return Appearance(Look.NOISE, data, why="most bytes are no text, and no frame has a check sum")


def is_text(data: bytes) -> bool:
    """Say whether bytes are lines of text that hold a number."""
    plain, foreign = (sum(byte in known for byte in data) for known in (PLAIN, FOREIGN))
    digits = sum(byte in b"0123456789" for byte in data)
    return (plain + foreign) / len(data) >= MOSTLY and digits > 0 and foreign < digits


def _readings(data: bytes) -> list[tuple[int, str, bytes, str]]:
    """Return how the bytes could be meant: data bits, parity, the bytes then, and how it shows."""
    found = [(8, "N", data, "the bytes are text as they are")]
    low = bytes(byte & 0x7F for byte in data)
    odd = {byte.bit_count() % 2 for byte in data}
    if odd == {0}:
        found.append((7, "E", low, "the highest bit makes the ones of every byte even"))
    if odd == {1}:
        found.append((7, "O", low, "the highest bit makes the ones of every byte odd"))
    return found


def _is_sdi12(text: bytes) -> bool:
    """Say whether every whole line is a reply of SDI-12, or a command precedes it."""
    lines = [line for line in _LINE_ENDS.split(text) if line][1:-1] or _LINE_ENDS.split(text)
    fitting = [line for line in lines if _SDI12_REPLY.fullmatch(_without_command(line))]
    return bool(fitting) and len(fitting) == len([line for line in lines if line])


def _without_command(line: bytes) -> bytes:
    command = _SDI12_COMMAND.match(line)
    return line[command.end() :] if command else line


def modbus_units(data: bytes) -> list[int]:
    """Return the addresses of Modbus units, ascending, if frames make up most of the bytes."""
    found = set()
    at = covered = 0
    while at < len(data):
        length = _modbus_frame(data, at)
        if length:
            found.add(data[at])
        covered += length
        at += length or 1
    return sorted(found) if covered >= COVERED * len(data) else []


def _modbus_frame(data: bytes, at: int) -> int:
    """Return the length of a frame that begins at a place; 0 where none does."""
    head = data[at : at + 3]
    if len(head) < 3 or not 1 <= head[0] <= _LARGEST_ADDRESS:  # noqa: PLR2004 - address, function, count
        return 0
    function = head[1] & ~_EXCEPTION
    if function not in _READ_FUNCTIONS:
        return 0
    if head[1] & _EXCEPTION:
        lengths = [_REPLY_EXTRA] if 1 <= head[2] <= 11 else []  # noqa: PLR2004 - codes of exceptions
    else:
        reply = [head[2] + _REPLY_EXTRA] if head[2] and head[2] % 2 == 0 else []
        lengths = [*reply, _REQUEST_LENGTH]
    for length in lengths:
        frame = data[at : at + length]
        if len(frame) < length or crc_of(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
            continue
        is_request = length == _REQUEST_LENGTH and head[2] + _REPLY_EXTRA != length
        if is_request and not 1 <= int.from_bytes(frame[4:6], "big") <= _MOST_REGISTERS:
            continue
        return length
    return 0


def crc_of(data: bytes) -> int:
    """Return the check sum of a Modbus frame.

    Source: Modbus over serial line 1.02, 6.2.2 (from memory): start 0xFFFF, polynomial 0xA001.
    """
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc
