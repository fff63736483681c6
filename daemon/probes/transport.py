"""Ways to an instrument that carry bytes, and the serial port; none of them waits.

What is due is taken and what cannot be sent at once is a fault, so that an adapter that hangs
delays no other probe.  A fault is a `TransportError` whose text is a sentence for whoever must
act; after one the way is shut, and `open` begins again.
"""

from __future__ import annotations

import os
import termios
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, Protocol

import serial

from daemon.errors import BrinewrightError
from daemon.probes.device_errors import joining

CHUNK: Final = 4096
OPENING_S: Final = 0.02
"""How soon to look again whether a connection that is being made has come about."""
PSEUDO_TERMINALS: Final = "/dev/pts/"
TROUBLE: Final = (OSError, termios.error)


class TransportError(BrinewrightError):
    """A way to an instrument cannot be opened or was lost; the text says which and what to do."""


class Transport(Protocol):
    """A way to an instrument; it is shut until `open` has returned True."""

    @property
    def place(self) -> str:
        """Where it leads, as a person would look for it."""

    @property
    def dies_in_silence(self) -> bool:
        """Whether it can be dead without a word, so that silence is a reason to open it again."""

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while it is shut."""

    def open(self, now_s: float) -> bool:
        """Begin to open it, or look how far that is; True once it is open.

        Args:
            now_s: Monotonic seconds.

        Raises:
            TransportError: It cannot be opened; a later call begins again.
        """

    def read(self) -> bytes:
        """Return what has arrived, up to `CHUNK` bytes; nothing where nothing has.

        Raises:
            TransportError: The way was lost.
        """

    def write(self, data: bytes) -> None:
        """Send all of it.

        Raises:
            TransportError: The way was lost, or takes no more.
        """

    def close(self) -> None:
        """Shut it; may be called twice."""


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How one end of a serial line must be set.

    Attributes:
        port: Device path.
        baud: Speed, Bd.
        bytesize: Data bits, 7 or 8.
        parity: "N", "E" or "O".
        stopbits: 1 or 2.
    """

    port: str
    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1

    @property
    def setting(self) -> str:
        """As it is written on instruments, such as "9600 Bd 8N1"."""
        return f"{self.baud} Bd {self.bytesize}{self.parity}{self.stopbits:g}"

    @property
    def character_s(self) -> float:
        """How long one character takes, s: a start bit, data, parity and stop bits."""
        bits = 1 + self.bytesize + (self.parity != "N") + self.stopbits
        return bits / self.baud


class SerialTransport:
    """A serial port that this process alone has open."""

    dies_in_silence = False

    def __init__(self, line: SerialLine) -> None:
        """Remember the line; nothing is opened yet."""
        self.line = line
        self._port: serial.Serial | None = None
        self._descriptor: int | None = None

    @property
    def place(self) -> str:
        """The port."""
        return self.line.port

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while it is shut."""
        return self._descriptor

    def open(self, now_s: float = 0.0) -> bool:  # noqa: ARG002 - a port opens at once or not at all
        """Open the port; what had arrived before is thrown away.

        Raises:
            TransportError: It cannot be opened; the text says why and what to do.
        """
        if self._port is not None:
            return True
        line, port = self.line, self.line.port
        # A pseudo-terminal (a network bridge, a simulator) carries bytes, not characters: Linux
        # refuses to set any other size or parity there.
        bytes_only = os.path.realpath(port).startswith(PSEUDO_TERMINALS)
        try:
            self._port = serial.Serial(
                port,
                line.baud,
                bytesize=8 if bytes_only else line.bytesize,
                parity="N" if bytes_only else line.parity,
                stopbits=line.stopbits,
                timeout=0,
                exclusive=True,
            )
        except (*TROUBLE, ValueError) as exc:
            raise TransportError(f"port {port} cannot be opened: {_opening(exc, port)}") from exc
        self._descriptor = int(self._port.fileno())
        return True

    def read(self) -> bytes:
        """Return what has arrived, up to `CHUNK` bytes; nothing where nothing has.

        Raises:
            TransportError: The adapter is gone.
        """
        if self._port is None or self._descriptor is None:
            return b""
        try:
            return _present(self._descriptor) or bytes(self._port.read(CHUNK))
        except TROUBLE as exc:
            raise self._lost(f"reading failed ({why(exc)})") from exc

    def waiting(self) -> int:
        """Return how many bytes have arrived that were not read.

        Raises:
            TransportError: The adapter is gone.
        """
        if self._port is None:
            return 0
        try:
            return int(self._port.in_waiting)
        except TROUBLE as exc:
            raise self._lost(f"reading failed ({why(exc)})") from exc

    def discard(self) -> None:
        """Throw away what has arrived and was not read.

        Raises:
            TransportError: The adapter is gone.
        """
        if self._port is None:
            return
        try:
            self._port.reset_input_buffer()
        except TROUBLE as exc:
            raise self._lost(f"reading failed ({why(exc)})") from exc

    def write(self, data: bytes) -> None:
        """Send all of it, or nothing counts.

        Raises:
            TransportError: The adapter is gone, or hangs with the last request still unsent.
        """
        if self._descriptor is None:
            return
        try:
            sent = _sent(self._descriptor, data)
        except TROUBLE as exc:
            raise self._lost(f"writing failed ({why(exc)})") from exc
        if sent < len(data):
            raise self._lost(f"writing failed ({sent} of {len(data)} bytes were taken; it hangs)")

    def set_break(self, *, on: bool) -> None:
        """Begin a break, or end it; the caller lets its time pass, and does not wait for it here.

        `Serial.send_break` waits, and for no less than a quarter of a second; SDI-12 needs twelve
        milliseconds.  What was not sent yet is thrown away first: Linux would wait for it.

        Raises:
            TransportError: The adapter is gone.
        """
        if self._port is None:
            return
        try:
            if on:
                termios.tcflush(self._port.fileno(), termios.TCOFLUSH)
            self._port.break_condition = on
        except TROUBLE as exc:
            raise self._lost(f"a break failed ({why(exc)})") from exc

    def close(self) -> None:
        """Let go of the port; may be called twice.

        What was not sent is thrown away, or Linux would wait up to 30 s for an adapter that hangs.
        """
        port, self._port, self._descriptor = self._port, None, None
        if port is not None:
            with suppress(*TROUBLE):
                termios.tcflush(port.fileno(), termios.TCOFLUSH)
            with suppress(*TROUBLE):
                port.close()

    def _lost(self, what: str) -> TransportError:
        self.close()
        return TransportError(f"port {self.line.port}: {what}; is the adapter still plugged in?")


def _present(descriptor: int) -> bytes:
    """Return what has arrived; nothing where `Serial.read` is to find out why nothing has."""
    try:
        return os.read(descriptor, CHUNK)
    except BlockingIOError:
        return b""


def _sent(descriptor: int, data: bytes) -> int:
    """Send what the adapter takes; `Serial.write` would try for ever where it takes nothing."""
    try:
        return os.write(descriptor, data)
    except BlockingIOError:
        return 0


def why(exc: BaseException) -> str:
    """Return what an error says, or what it is where it says nothing."""
    return str(exc) or type(exc).__name__


def _opening(exc: BaseException, port: str) -> str:
    number = getattr(exc, "errno", None)
    remedies = {
        2: "there is no such device; plug the adapter in, or correct the probe's port",
        11: "another program holds it; stop that program",
        13: f"no permission; {joining(port)}",
        16: "another program holds it; stop that program",
    }
    return remedies.get(number or 0, why(exc))
