"""A text instrument on an I2C bus: write a request, wait, read the answer.

A transfer may block for as long as something holds the bus, so a thread of the bus carries it out.
Between the two transfers of one instrument the bus is free for the others.
"""

from __future__ import annotations

import errno
import math
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import TYPE_CHECKING

import smbus2

from daemon.entries import Instant, Sample
from daemon.probes.background import Background, Caller
from daemon.probes.device_errors import opening
from daemon.probes.driver import Buses, DriverKind, FaultLimit
from daemon.probes.i2c_section import I2cSection
from daemon.wire.i2c import Answer, State, StatusBytes, answer
from daemon.wire.line import Unreadable, parse, shown
from daemon.wire.near_miss import best_text, near_miss
from daemon.wire.units import Scale

if TYPE_CHECKING:
    from daemon.wire.reply import ReplyFormat

AGAIN_S = 0.1
"""How soon an instrument that still works is read once more; our own choice."""
ABSENT = "enable I2C (sudo raspi-config), plug the adapter in, or correct bus"
NOBODY = (errno.EREMOTEIO, errno.ENXIO)
"""No acknowledge, as the adapters' drivers report it.  Source: the kernel's
Documentation/i2c/fault-codes.rst (from memory)."""
HELD = (errno.ETIMEDOUT, errno.EIO, errno.EAGAIN, errno.EBUSY)
UNFIT = (errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL)


class I2cBus:
    """One bus; each transfer opens it, so that an adapter that was away needs no care."""

    def __init__(self, path: str) -> None:
        """Remember the device.

        Args:
            path: Of the bus.
        """
        self.path = path
        self.background = Background(path)

    def write(self, address: int, data: bytes) -> None:
        """Write to an instrument; blocks for as long as the bus does.

        Raises:
            OSError: As the kernel says.
        """
        with smbus2.SMBus(self.path) as bus:
            bus.i2c_rdwr(smbus2.i2c_msg.write(address, data))

    def read(self, address: int, length: int) -> bytes:
        """Read from an instrument; blocks likewise.

        Raises:
            OSError: As the kernel says.
        """
        message = smbus2.i2c_msg.read(address, length)
        with smbus2.SMBus(self.path) as bus:
            bus.i2c_rdwr(message)
        return bytes(message)


@dataclass(frozen=True, slots=True)
class I2cSettings:
    """Where one instrument is and how it speaks.

    Attributes:
        reservoir: Name of the reservoir that it looks at; empty for an input.
        probe: Its own name.
        address: On the bus.
        reply: How a whole reply is written.
        request: Written to ask for a reply; empty for one that is only read.
        wait_s: From the request to the read, s.
        read_bytes: How many are read.
        status: What the byte before the text means; None for no such byte.
        scale: What its numbers mean.
        period_s: Time between requests, s.
        timeout_s: From the request until a reading counts as missing, s.
    """

    reservoir: str
    probe: str
    address: int
    reply: ReplyFormat
    request: bytes = b""
    wait_s: float = 0.6
    read_bytes: int = 40
    status: StatusBytes | None = None
    scale: Scale = field(default_factory=Scale)
    period_s: float = 2.0
    timeout_s: float = 2.0


class Step(Enum):
    """What a probe waits for."""

    PERIOD = auto()
    REQUEST = auto()
    WORK = auto()
    READ = auto()


class I2cProbe:
    """One instrument; a plain state machine around the transfers of its bus."""

    def __init__(self, settings: I2cSettings, bus: I2cBus) -> None:
        """Remember the settings; the bus is opened by the first transfer."""
        self._set = settings
        self._bus = bus
        self._caller: Caller[bytes] = Caller(bus.background)
        self._faults = FaultLimit(settings.reservoir, settings.probe, settings.period_s)
        self._where = f"0x{settings.address:02x} on {bus.path}"
        self._step = Step.PERIOD
        self._next_request_s = 0.0
        self._deadline_s = math.inf
        self._read_s = 0.0
        # When it was asked: it measures then, and not when it is read.
        self._request_s: float | None = None
        # What it says first may be for a request from before the service started.
        self._has_stale_answer = True

    def fileno(self) -> int | None:
        """Return the descriptor that can be read once a transfer has ended."""
        return self._caller.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        if self._step is Step.PERIOD:
            return self._next_request_s
        if self._step is Step.WORK:
            return min(self._read_s, self._deadline_s)
        return self._deadline_s

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: write the request, read the answer, or give up waiting."""
        if now.mono_s < self.wake_s():
            return []
        if self._step is Step.PERIOD:
            return self._ask(now)
        if now.mono_s >= self._deadline_s:
            return self._time_out(now)
        return self._begin_read()

    def readable(self, now: Instant) -> list[Sample]:
        """Take what came of a transfer."""
        outcome = self._caller.take()
        if outcome is None:
            return []
        if outcome.raised is not None:
            return self._fail(now, self._trouble(outcome.raised))
        if self._step is Step.REQUEST:
            self._request_s = now.mono_s
            self._step, self._read_s = Step.WORK, now.mono_s + self._set.wait_s
            return []
        return self._take(answer(outcome.value(), self._set.status), now)

    def close(self) -> None:
        """Let go of the descriptor; may be called twice."""
        self._caller.close()

    def _ask(self, now: Instant) -> list[Sample]:
        conf = self._set
        missed = now.mono_s - self._next_request_s > conf.period_s
        self._next_request_s = (now.mono_s if missed else self._next_request_s) + conf.period_s
        self._deadline_s = now.mono_s + conf.timeout_s
        if not conf.request:
            return self._begin_read()
        bus, request, length = self._bus, conf.request, conf.read_bytes
        address, has_stale_answer = conf.address, self._has_stale_answer

        def transfer() -> bytes:
            if has_stale_answer:
                # Some do not acknowledge a read while they have nothing to say.
                with suppress(OSError):
                    bus.read(address, length)
            bus.write(address, request)
            return b""

        self._step, self._has_stale_answer = Step.REQUEST, False
        self._caller.submit(transfer)
        return []

    def _begin_read(self) -> list[Sample]:
        bus, address, length = self._bus, self._set.address, self._set.read_bytes
        self._step = Step.READ
        self._caller.submit(lambda: bus.read(address, length))
        return []

    def _take(self, came: Answer, now: Instant) -> list[Sample]:
        conf = self._set
        if came.state is State.PENDING:
            self._step, self._read_s = Step.WORK, now.mono_s + AGAIN_S
            return []
        if came.state is not State.TEXT:
            return self._fail(now, self._without_text(came))
        line = came.frame.text(conf.reply.encoding)
        try:
            said = parse(line, conf.reply.pattern, conf.reply.decimal)
        except Unreadable:
            return self._unreadable(came, now)
        self._rest()
        water = conf.scale.water(said.conductivity, said.temperature)
        age_s = 0.0 if self._request_s is None else round(now.mono_s - self._request_s, 3)
        ages_s = (0.0 if each is None else max(0.0, age_s) for each in water)
        names = (conf.reservoir, conf.probe)
        return [Sample(*names, now, *water, said.pump, "", shown(line), *ages_s)]

    def _unreadable(self, came: Answer, now: Instant) -> list[Sample]:
        if not self._faults.due(now):
            return self._fail(now, "")
        text = shown(best_text(came.frame, self._set.reply.encoding))
        lacks = near_miss(came.frame, self._set.reply)
        why = (
            f"nearly fits the reply pattern: {lacks}"
            if lacks
            else "does not fit the reply pattern; check reply, read_bytes and wiring"
        )
        return self._fail(now, f"unreadable answer of {self._where}: {text!r} {why}", text)

    def _time_out(self, now: Instant) -> list[Sample]:
        conf = self._set
        if self._step is Step.WORK:
            what = (
                f"{self._where} still works on the request {conf.timeout_s:g} s after it; raise"
                " timeout_s and period_s, or switch the instrument off and on"
            )
        else:
            what = (
                f"a transfer with {self._where} does not end (waited for {conf.timeout_s:g} s);"
                " something holds the bus: switch its instruments off and on, and check the wiring"
            )
        self._caller.give_up()
        return self._fail(now, what)

    def _without_text(self, came: Answer) -> str:
        conf, status = self._set, f"status {came.status}"
        if came.state is State.ERROR:
            return (
                f"{self._where} does not understand the request {conf.request!r} ({status});"
                " correct request by its manual"
            )
        if came.state is State.NOTHING:
            return (
                f"{self._where} has nothing to say to the request {conf.request!r} ({status});"
                " check its power, and wait_s by its manual"
            )
        if came.state is State.STRANGE:
            return (
                f"{self._where} gives {status}, which is none of the status bytes; check status"
                " by its manual, and the wiring"
            )
        return (
            f"{self._where} gives no text after the request {conf.request!r}; raise wait_s, and"
            " check status by its manual"
        )

    def _trouble(self, exc: Exception) -> str:
        if not isinstance(exc, OSError):
            return f"{self._where} cannot be read ({exc!r}); check bus and address"
        if exc.errno in NOBODY and exc.filename is None:
            return (
                f"nothing answers at {self._where}; check power, both wires and the address"
                f" (sudo i2cdetect -y {_number(self._bus.path)} lists those that answer)"
            )
        if exc.errno in HELD and exc.filename is None:
            return (
                f"the bus fails at {self._where} ({exc.strerror}); switch its instruments off and"
                " on, and check wiring and pull-ups"
            )
        if exc.errno in UNFIT:
            return f"{self._bus.path} does not carry I2C transfers ({exc.strerror}); correct bus"
        return f"bus {self._bus.path} for {self._where}: {opening(exc, self._bus.path, ABSENT)}"

    def _fail(self, now: Instant, sentence: str, spoken: str = "") -> list[Sample]:
        """End this reading; what still comes of it is for no later request."""
        self._rest()
        self._has_stale_answer = True
        return self._faults.samples(now, sentence, spoken)

    def _rest(self) -> None:
        self._step, self._deadline_s = Step.PERIOD, math.inf


def _number(path: str) -> str:
    """Return the number of a bus, as tools for a bus want it."""
    name = path.rpartition("i2c-")[2]
    return name if name.isdecimal() else "N"


def _i2c_probe(reservoir: str, section: I2cSection, buses: Buses) -> I2cProbe:
    bus = buses.shared(I2cBus, section.bus, lambda: I2cBus(section.bus))
    settings = I2cSettings(
        reservoir=reservoir,
        probe=section.name,
        address=section.address,
        reply=section.reply_format,
        request=(section.request or "").encode("ascii"),
        wait_s=section.wait_s,
        read_bytes=section.read_bytes,
        status=section.status_bytes,
        scale=section.scale,
        period_s=section.period_s,
        timeout_s=section.timeout_s,
    )
    return I2cProbe(settings, bus)


DRIVER = DriverKind(I2cSection, _i2c_probe)
