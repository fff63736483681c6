"""What the service manager is told: whether a process is ready, at work, and what is wrong.

One datagram each, no library needed.

Source: sd_notify(3): a datagram to the socket named by NOTIFY_SOCKET, where a
leading '@' stands for an abstract address.
"""

from __future__ import annotations

import math
import os
import socket
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field

LONGEST_STATUS = 200
EARLY_S = 1.0
"""A turn that there is anyway gives the sign of life that is due so soon."""


def notify(message: str) -> None:
    """Send e.g. `READY=1`; silent where no service manager listens."""
    with closing(ServiceManager()) as manager:
        manager.send(message)


class ServiceManager:
    """The way to the service manager, kept open for who has much to say."""

    def __init__(self) -> None:
        """Read where it listens, if it does."""
        address = os.environ.get("NOTIFY_SOCKET", "")
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._channel: socket.socket | None = None

    def send(self, message: str) -> None:
        """Send e.g. `READY=1`; silent where no service manager listens."""
        if not self._address:
            return
        with suppress(OSError):
            if self._channel is None:
                self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                # A manager that does not listen just now must not hold up measuring.
                self._channel.settimeout(0.0)
            self._channel.sendto(message.encode(errors="replace"), self._address)

    def close(self) -> None:
        """Let go of the way; may be called twice."""
        if self._channel is not None:
            self._channel.close()
        self._channel = None


class Reports:
    """Which probes have given a reading or a fault, as the service manager is to know it.

    Ready means that the first word of every probe is in the journal: a reading, or why
    none came.  What is wrong since stays in the status line.
    """

    def __init__(self, count: int, send: Callable[[str], None] = notify) -> None:
        """Await the first word of so many probes.

        Args:
            count: How many there are.
            send: Takes one message for the service manager.
        """
        self._count = count
        self._faults: dict[str, str] = {}
        self._input_faults: dict[str, str] = {}
        self._unrecorded = ""
        self._status = ""
        self._send = send
        self.ready = False

    def reported(self, name: str, fault: str) -> None:
        """Take note of a reading of a probe, or of its fault as a sentence.

        Args:
            name: Of the probe, unlike any other's.
            fault: Empty for a reading.
        """
        known = self._faults.get(name)
        # A fault's words may differ each time; the status line is for what lasts.
        if known is None or bool(fault) != bool(known):
            self._faults[name] = fault
            self._say()

    def input_reported(self, name: str, fault: str) -> None:
        """Take note of a value of an input that stands on its own, or of its fault.

        Nothing waits for an input to be ready: a probe that needs it says what it lacks.

        Args:
            name: Of the input.
            fault: Empty for a value.
        """
        if bool(fault) != bool(self._input_faults.get(name)):
            self._input_faults[name] = fault
            self._say()

    def recorded(self) -> None:
        """Take note that everything so far is in the journal."""
        if self._unrecorded or not self.ready:
            self._unrecorded = ""
            self._settle()

    def unrecorded(self, why: str) -> None:
        """Take note that the journal cannot be written: a known fault, too."""
        self._unrecorded = why
        self._settle()

    def _settle(self) -> None:
        if len(self._faults) >= self._count and not self.ready:
            self.ready = True
            self._send("READY=1")
        self._say()

    def _say(self) -> None:
        status = self._sentence()
        if self.ready and status != self._status:
            self._status = status
            self._send(f"STATUS={status}")

    def _sentence(self) -> str:
        if self._unrecorded:
            return _short(f"measuring, but nothing is recorded: {self._unrecorded}")
        faults = [f"{name}: {fault}" for name, fault in self._faults.items() if fault]
        well = f"{self._count - len(faults)} of {self._count} probes give readings"
        faults += [f"input {name}: {each}" for name, each in self._input_faults.items() if each]
        return _short("; ".join([f"measuring: {well}", *faults]))


@dataclass(slots=True)
class Progress:
    """The sign of life of one loop of a process: until when it must have come round again.

    Attributes:
        name: What the loop does, for the log.
        clock: Monotonic seconds.
    """

    name: str
    clock: Callable[[], float] = time.monotonic
    _until_s: float | None = field(default=None, init=False)
    _rounds: int = field(default=0, init=False)

    @property
    def begun(self) -> bool:
        """Whether it has come round once, so that what is wrong with it is known."""
        return self._rounds > 0

    def expect(self, within_s: float) -> None:
        """Promise to come round again within so many seconds."""
        self._until_s = self.clock() + within_s

    def round(self, within_s: float) -> None:
        """Take note of a whole round, and promise the next."""
        self._rounds += 1
        self.expect(within_s)

    def overdue(self) -> bool:
        """Whether a promise was broken; what has promised nothing yet breaks none."""
        return self._until_s is not None and self.clock() > self._until_s


@dataclass(slots=True)
class Watchdog:
    """Vouches for a process to the service manager while all its loops come round.

    Attributes:
        loops: All of them.
        ready_within_s: The process counts as ready then, whatever a loop still waits for, s.
        send: Takes one message for the service manager.
        clock: Monotonic seconds.
    """

    loops: tuple[Progress, ...]
    ready_within_s: float = 30.0
    send: Callable[[str], None] = notify
    clock: Callable[[], float] = time.monotonic
    _since_s: float = field(default=0.0, init=False)
    _ready: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        """Begin the time to readiness."""
        self._since_s = self.clock()

    def look(self) -> tuple[str, ...]:
        """Vouch for the process; return the names of loops that hang, and then do not."""
        hanging = tuple(each.name for each in self.loops if each.overdue())
        if hanging:
            return hanging
        awaited = [each.name for each in self.loops if not each.begun]
        late = self.clock() - self._since_s >= self.ready_within_s
        if not self._ready and (late or not awaited):
            self.ready("no word yet of " + ", ".join(awaited) if awaited else "publishing")
        self.send("WATCHDOG=1")
        return ()

    def ready(self, status: str) -> None:
        """Say that the process does what it can, and how that is in a few words."""
        if not self._ready:
            self.send("READY=1")
        self._ready = True
        self.send(f"STATUS={_short(status)}")


class SignOfLife:
    """Vouches for a process of one loop to the service manager, no oftener than it wants to know.

    Source: sd_watchdog_enabled(3): `WATCHDOG_USEC` is how long the manager waits, in microseconds;
    it is to hear twice within it.  Three times, so that one sign may be late.
    """

    def __init__(
        self, send: Callable[[str], None] = notify, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Read how often the manager wants to know.

        Args:
            send: Takes one message for the service manager.
            clock: Monotonic seconds.
        """
        self._every_s = _watchdog_s() / 3.0
        self._due_s = clock() if math.isfinite(self._every_s) else math.inf
        self._send, self._clock = send, clock

    def wait_s(self) -> float:
        """Return how long it is until the loop must come round again, s; infinite for never."""
        return self._due_s - self._clock()

    def round(self) -> None:
        """Take note that the loop came round."""
        now_s = self._clock()
        if now_s >= self._due_s - EARLY_S:
            self._due_s = now_s + self._every_s
            self._send("WATCHDOG=1")


def _watchdog_s() -> float:
    """Return how long the service manager waits for a sign of life, s; infinite where for none."""
    text, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    meant = not pid or pid == str(os.getpid())
    return int(text) / 1e6 if meant and text.isdecimal() and int(text) else math.inf


def _short(text: str) -> str:
    plain = "".join(sign if sign.isprintable() else " " for sign in text)
    return plain if len(plain) <= LONGEST_STATUS else f"{plain[: LONGEST_STATUS - 1]}…"
