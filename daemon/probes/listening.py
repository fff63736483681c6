"""Listening to a serial port whose instrument is not known yet: bytes with their time.

Nothing is written to the instrument unless a request is given.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from daemon.errors import BrinewrightError, ExitCode
from daemon.probes.transport import SerialLine, SerialTransport, TransportError
from daemon.wire.listening.appearance import Look, appearance_of
from daemon.wire.listening.study import Chunk

SPEEDS = (9600, 19200, 115200, 38400, 57600, 4800, 2400, 1200, 300)
"""Bd, the most usual of instruments first (from memory)."""
WITH_PARITY = ((9600, "E"), (19200, "E"), (9600, "O"), (19200, "O"))
"""Tried after all speeds without parity; 7 bits with parity show in what 8 bits without it read."""
ENOUGH_BYTES = 24
"""At one speed: so many tell text from noise; our own choice."""
LEAST_S = 3.0
"""At one speed, where it is not known how often the instrument speaks; our own choice."""
WAIT_S = 0.2
GATHER_S = 0.03
"""What comes within is shown as one; at 300 Bd one character takes as long."""


class PortUnusable(BrinewrightError):  # noqa: N818 - read as a sentence
    """A port cannot be listened to; the text says why and what to do."""

    exit_code = ExitCode.UNAVAILABLE


@dataclass(frozen=True, slots=True)
class Asking:
    """What is sent to an instrument that speaks only when it is asked.

    Attributes:
        request: The bytes; empty to send nothing.
        every_s: Seconds between two.
    """

    request: bytes = b""
    every_s: float = 2.0


def listen(
    line: SerialLine,
    for_s: float,
    asking: Asking | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[Chunk]:
    """Yield what comes, as it comes, until the time is over.

    Args:
        line: The port and how it is set.
        for_s: How long to listen, s.
        asking: What to send; None for nothing.
        clock: Monotonic seconds.

    Raises:
        PortUnusable: It cannot be opened, or was lost.
    """
    asking = asking or Asking()
    transport = SerialTransport(line)
    try:
        begin_s = clock()
        if not transport.open(begin_s):
            raise PortUnusable(f"{line.port} is not open yet; try again")
        ask_s = begin_s
        while (now_s := clock()) < begin_s + for_s:
            if asking.request and now_s >= ask_s:
                transport.write(asking.request)
                ask_s = now_s + asking.every_s
            data = _next(transport, min(WAIT_S, begin_s + for_s - now_s))
            if data:
                yield Chunk(clock() - begin_s, data)
    except TransportError as exc:
        raise PortUnusable(str(exc)) from exc
    finally:
        transport.close()


def _next(transport: SerialTransport, wait_s: float) -> bytes:
    """Return what comes within a time, and what follows at once."""
    data = b""
    descriptor = transport.fileno()
    while descriptor is not None and select.select([descriptor], [], [], wait_s)[0]:
        data += transport.read()
        descriptor, wait_s = transport.fileno(), GATHER_S
    return data


@dataclass(frozen=True, slots=True)
class SettingTrial:
    """What came with one setting of the line.

    Attributes:
        line: The setting.
        look: What the bytes looked like.
        chunks: They.
    """

    line: SerialLine
    look: Look
    chunks: tuple[Chunk, ...]


def try_settings(
    port: str,
    limit_s: float,
    each_s: float = LEAST_S,
    asking: Asking | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[SettingTrial]:
    """Yield what comes at each usual speed and parity, until one reads, or time is over.

    Args:
        port: Device path.
        limit_s: For all of them together, s.
        each_s: For one setting, s; longer than the instrument is silent between two messages.
        asking: What to send at each; None for nothing.
        clock: Monotonic seconds.

    Raises:
        PortUnusable: As `listen`.
    """
    end_s = clock() + limit_s
    settings = [*((baud, "N") for baud in SPEEDS), *WITH_PARITY]
    for line in (SerialLine(port, baud, parity=parity) for baud, parity in settings):
        left_s = end_s - clock()
        if left_s <= 0.0:
            return
        chunks: list[Chunk] = []
        for chunk in listen(line, min(each_s, left_s), asking, clock):
            chunks.append(chunk)
            if sum(len(each.data) for each in chunks) >= ENOUGH_BYTES:
                break
        look = appearance_of(b"".join(each.data for each in chunks)).look
        yield SettingTrial(line, look, tuple(chunks))
        if look in (Look.TEXT, Look.MODBUS, Look.SDI12):
            return
