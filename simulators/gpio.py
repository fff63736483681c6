"""A GPIO chip as Linux shows it to programs, with a contact at each of its lines.

Numbers and structures after version 2 of the interface in <linux/gpio.h>.  A contact is open or
closed; a closed one joins the line to ground, an open one leaves it to the bias.  No voltage, no
current, no noise beyond what a story lets the contact do.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from simulators.device_socket import OPEN

CHIP_INFO, LINE_INFO, GET_LINE = 0x8044B401, 0xC100B405, 0xC250B407
SET_CONFIG, GET_VALUES = 0xC110B40D, 0xC010B40E
USED, ACTIVE_LOW, INPUT, OUTPUT = 0x1, 0x2, 0x4, 0x8
PULL_UP, PULL_DOWN, NO_BIAS = 0x100, 0x200, 0x400
DEBOUNCE_ATTRIBUTE = 3
CHIP = struct.Struct("=32s32sI")
LINE = struct.Struct("=32s32sIIQ176s")
ATTRIBUTE = struct.Struct("=IIQQ")
CONFIG = struct.Struct("=QI20s")
CONFIG_AT, CONFIG_BYTES, COUNT_AT, CONSUMER_AT = 288, 272, 560, 256
VALUES = struct.Struct("=QQ")
MOST_ATTRIBUTES = 10


@dataclass
class Contact:
    """What is wired to one line.

    Attributes:
        name: Of the line; empty for none.
        closed: Whether the contact joins the line to ground now.
        consumer: Who else has the line; empty for nobody.
    """

    name: str = ""
    closed: bool = False
    consumer: str = ""


@dataclass
class Request:
    """A line that a program has.

    Attributes:
        offset: Which line.
        flags: As in the interface.
        debounce_s: How long a level must last until it counts, s.
        level: The physical level that counts.
        other_since_s: Since when the line is at the other level; None for not now.
    """

    offset: int
    flags: int
    debounce_s: float
    level: bool
    other_since_s: float | None = None


@dataclass
class Chip:
    """A chip; a `Device` of `simulators.device_socket`.

    Attributes:
        name: As the kernel numbers it.
        label: As its driver calls it.
        contacts: What is at each line, by offset.
        clock: Time, s, in which levels last.
        has_bias: Whether it can pull a line up or down.
    """

    name: str
    label: str
    contacts: list[Contact]
    clock: Callable[[], float]
    has_bias: bool = True
    requests: dict[bytes, Request] = field(default_factory=dict)

    def open(self, handle: bytes, call: int, body: bytes) -> bytes:
        """Let a program have the chip, or with `GET_LINE` one line of it.

        What it had of a chip that was pulled is gone.
        """
        if call == OPEN:
            return b""
        if call != GET_LINE:
            raise OSError(errno.ENODEV, "no such device")
        (offset,) = struct.unpack_from("=I", body)
        (count,) = struct.unpack_from("=I", body, COUNT_AT)
        if count != 1 or offset >= len(self.contacts):
            raise OSError(errno.EINVAL, "no such line")
        if self.contacts[offset].consumer:
            raise OSError(errno.EBUSY, "another program has it")
        flags, debounce_s = configured(body[CONFIG_AT : CONFIG_AT + CONFIG_BYTES])
        if not self.has_bias and flags & (PULL_UP | PULL_DOWN):
            raise OSError(errno.EOPNOTSUPP, "no bias")
        self.contacts[offset].consumer = body[CONSUMER_AT:CONFIG_AT].rstrip(b"\0").decode()
        self.requests[handle] = Request(offset, flags, debounce_s, self._level(offset, flags))
        return body

    def closed(self, handle: bytes) -> None:
        """Take a line back."""
        request = self.requests.pop(handle, None)
        if request is not None:
            self.contacts[request.offset].consumer = ""

    def call(self, handle: bytes, call: int, body: bytes) -> tuple[int, bytes]:
        """Carry out one ioctl."""
        if call == CHIP_INFO:
            return 0, CHIP.pack(self.name.encode(), self.label.encode(), len(self.contacts))
        if call == LINE_INFO:
            return 0, self._line_info(body)
        if call == GET_VALUES and handle in self.requests:
            _, mask = VALUES.unpack(body)
            return 0, VALUES.pack(self._value(self.requests[handle]) & mask, mask)
        raise OSError(errno.ENOTTY, "no such call")

    def settle(self) -> None:
        """Follow the contacts: what a debouncing kernel does at each change of a level."""
        for request in self.requests.values():
            self._value(request)

    def _line_info(self, body: bytes) -> bytes:
        (offset,) = struct.unpack_from("=I", body, 64)
        if offset >= len(self.contacts):
            raise OSError(errno.EINVAL, "no such line")
        one = self.contacts[offset]
        flags = INPUT | (USED if one.consumer else 0)
        return LINE.pack(one.name.encode(), one.consumer.encode(), offset, 0, flags, b"")

    def _level(self, offset: int, flags: int) -> bool:
        """A closed contact is low; an open one is where the bias pulls, and low without any."""
        return not self.contacts[offset].closed and bool(flags & PULL_UP)

    def _value(self, request: Request) -> int:
        level, now_s = self._level(request.offset, request.flags), self.clock()
        if level == request.level:
            request.other_since_s = None
        elif request.other_since_s is None:
            request.other_since_s = now_s
        since_s = request.other_since_s
        if since_s is not None and now_s - since_s >= request.debounce_s:
            request.level, request.other_since_s = level, None
        return int(request.level != bool(request.flags & ACTIVE_LOW))


def configured(config: bytes) -> tuple[int, float]:
    """Return flags and debounce time, s, of a `struct gpio_v2_line_config` for one line."""
    flags, count, _ = CONFIG.unpack_from(config)
    debounce_s = 0.0
    for number in range(min(count, MOST_ATTRIBUTES)):
        row = ATTRIBUTE.unpack_from(config, CONFIG.size + number * ATTRIBUTE.size)
        if row[0] == DEBOUNCE_ATTRIBUTE and row[3] & 1:
            debounce_s = (row[2] & 0xFFFFFFFF) / 1e6
    return flags, debounce_s
