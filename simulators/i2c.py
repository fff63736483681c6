"""An I2C adapter as Linux shows it to programs, and a text instrument on its bus.

Numbers and structures after <linux/i2c.h> and <linux/i2c-dev.h>.  What is on the bus is simulated
at the level of whole messages: no clock, no voltage, no line that a slave holds bit by bit.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Literal, Protocol, TypeAlias

from simulators.device_socket import OPEN, Stuck

I2C_SLAVE, I2C_SLAVE_FORCE, I2C_FUNCS, I2C_RDWR, I2C_SMBUS = 0x0703, 0x0706, 0x0705, 0x0707, 0x0720
SETTINGS = (0x0701, 0x0702, 0x0704, 0x0708)
"""Retries, time-out, ten-bit addresses, PEC: taken and without effect."""
FUNC_I2C, FUNC_SMBUS_BYTE, FUNC_SMBUS_I2C_BLOCK = 0x1, 0x60000, 0xC000000
READ = 1
MESSAGE = struct.Struct("=HHH")
SMBUS = struct.Struct("=BBI34s")
SMBUS_QUICK, SMBUS_BYTE, SMBUS_I2C_BLOCK = 0, 1, 8
LONGEST_BLOCK = 32

Fault: TypeAlias = Literal[
    "", "no-acknowledge", "time-out", "stuck", "cut", "previous-text", "stale-status",
    "always-pending", "garbage",
]  # fmt: skip


class Slave(Protocol):
    """Something with an address on the bus."""

    def write(self, data: bytes) -> None:
        """Take what the master writes.

        Raises:
            OSError: It does not acknowledge.
        """

    def read(self, length: int) -> bytes:
        """Give the master as many bytes as it clocks out.

        Raises:
            OSError: It does not acknowledge.
        """


@dataclass
class Adapter:
    """A bus with what is on it, by address; a `Device` of `simulators.device_socket`.

    Attributes:
        slaves: By their 7-bit addresses.
        functions: What the adapter says that it can do.
        transfers: Each message that went over the bus: address, whether it was read, its bytes.
    """

    slaves: dict[int, Slave] = field(default_factory=dict)
    functions: int = FUNC_I2C | FUNC_SMBUS_BYTE | FUNC_SMBUS_I2C_BLOCK
    transfers: list[tuple[int, bool, bytes]] = field(default_factory=list)
    _chosen: dict[bytes, int] = field(default_factory=dict)

    def open(self, handle: bytes, call: int, body: bytes) -> bytes:  # noqa: ARG002
        """Let a program have the bus; what it had of an adapter that was pulled is gone."""
        if call != OPEN:
            raise OSError(errno.ENODEV, "no such device")
        return b""

    def closed(self, handle: bytes) -> None:
        """Forget which slave it had chosen."""
        self._chosen.pop(handle, None)

    def call(self, handle: bytes, call: int, body: bytes) -> tuple[int, bytes]:
        """Carry out one ioctl of i2c-dev."""
        if call == I2C_RDWR:
            return self._messages(body)
        if call == I2C_SMBUS:
            return self._smbus(self._chosen.get(handle, 0), body)
        (value,) = struct.unpack("=Q", body)
        if call == I2C_FUNCS:
            return 0, struct.pack("=Q", self.functions)
        if call in {I2C_SLAVE, I2C_SLAVE_FORCE}:
            self._chosen[handle] = value
            return 0, body
        if call in SETTINGS:
            return 0, body
        raise OSError(errno.ENOTTY, "no such call")

    def _messages(self, body: bytes) -> tuple[int, bytes]:
        """One transaction: its messages follow one another without a stop between them."""
        at, count, came = 0, 0, b""
        while at < len(body):
            address, flags, length = MESSAGE.unpack_from(body, at)
            at += MESSAGE.size
            if flags & READ:
                came += self._read(address, length)
            else:
                self._write(address, body[at : at + length])
                at += length
            count += 1
        return count, came

    def _smbus(self, address: int, body: bytes) -> tuple[int, bytes]:
        read, command, size, data = SMBUS.unpack(body)
        if size in {SMBUS_QUICK, SMBUS_BYTE} and not read:
            self._write(address, bytes([command]) if size == SMBUS_BYTE else b"")
        elif size == SMBUS_BYTE:
            data = self._read(address, 1) + data[1:]
        elif size == SMBUS_I2C_BLOCK and data[0] <= LONGEST_BLOCK:
            block = data[1 : 1 + data[0]]
            self._write(address, bytes([command]) + (b"" if read else block))
            if read:
                came = self._read(address, data[0])
                data = bytes([len(came)]) + came.ljust(33, b"\0")
        else:
            raise OSError(errno.EOPNOTSUPP, "no such transfer")
        return 0, data

    def _slave(self, address: int) -> Slave:
        if address not in self.slaves:
            raise OSError(errno.EREMOTEIO, "nobody acknowledges")
        return self.slaves[address]

    def _write(self, address: int, data: bytes) -> None:
        self._slave(address).write(data)
        self.transfers.append((address, False, data))

    def _read(self, address: int, length: int) -> bytes:
        data = self._slave(address).read(length)
        self.transfers.append((address, True, data))
        return data


@dataclass
class TextInstrument:
    """An instrument that takes a request, works on it for a while, and then has a text to read.

    Attributes:
        speak: What it measures now, as text.
        clock: Time, s, in which it works.
        works_s: How long it works on a request.
        request: What it takes for a request, without a NUL or CR at its end.
        has_status: Whether a byte about the answer comes before its text.
        fault: What is wrong with it now.
    """

    speak: Callable[[], bytes]
    clock: Callable[[], float]
    works_s: float = 0.6
    request: bytes = b"R"
    has_status: bool = True
    fault: Fault = ""
    data: int = 1
    error: int = 2
    pending: int = 254
    nothing: int = 255
    requests: int = 0
    _ready_s: float | None = None
    _understood: bool = True
    _text: bytes = b""
    _previous: bytes = b""
    _chance: Random = field(default_factory=lambda: Random(7))

    def write(self, data: bytes) -> None:
        """Begin to work on a request; one that comes while it works begins again."""
        self._meet_faults()
        self.requests += 1
        self._understood = data.rstrip(b"\0\r") == self.request
        self._ready_s = self.clock() + self.works_s

    def read(self, length: int) -> bytes:
        """Give the status and the text, and zeros after it; high bits where it gives nothing."""
        self._meet_faults()
        if self.fault == "garbage":
            return self._chance.randbytes(length)
        status, text = self._answer()
        head = bytes([status]) if self.has_status else b""
        if self.fault == "cut":
            text = text[: len(text) // 2]
            return (head + text).ljust(length, b"\xff")[:length]
        return (head + text).ljust(length, b"\0")[:length]

    def _answer(self) -> tuple[int, bytes]:
        if self.fault == "always-pending":
            return self.pending, b""
        if self._ready_s is None:
            return self.nothing, b""
        if self.clock() < self._ready_s:
            # Some say that data follow although the text is not there yet.
            return (self.data if self.fault == "stale-status" else self.pending), b""
        if not self._understood:
            return self.error, b""
        self._ready_s = None
        self._previous, self._text = self._text, self.speak()
        return self.data, self._previous if self.fault == "previous-text" else self._text

    def _meet_faults(self) -> None:
        if self.fault == "no-acknowledge":
            raise OSError(errno.EREMOTEIO, "no acknowledge")
        if self.fault == "time-out":
            raise OSError(errno.ETIMEDOUT, "the bus is held")
        if self.fault == "stuck":
            raise Stuck
