"""Instruments on a serial line that answer a request or talk by themselves.

The driver never blocks: it says when it wants to be woken and which file to
watch, and it owes one sample each period, with a fault in it when no value
came.
"""

from __future__ import annotations

import termios
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import serial

from daemon.entries import Instant, Sample
from daemon.wire import units
from daemon.wire.line import Splitter, Spoken, Unreadable, parse, shown

if TYPE_CHECKING:
    from daemon.wire.reply import ReplyPattern

REOPEN_S = 1.0
QUIET_S = 0.5
"""Who says nothing for so long is not in the middle of a line."""
FAULT_SPACING_S = 5.0
CHUNK = 4096
TROUBLE = (OSError, termios.error)


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How one instrument is wired and how it speaks.

    Attributes:
        reservoir: Name of the reservoir that it looks at.
        probe: Its own name.
        port: Device path.
        baud: Bd.
        bytesize: Data bits.
        parity: "N", "E" or "O".
        stopbits: 1 or 2.
        request: Sent to ask for a reply; empty for one that talks by itself.
        reply: Pattern that fits a whole reply.
        conductivity_unit: As in `units.TO_MS_CM`.
        temperature_unit: As in `units.TEMPERATURES`.
        percent_per_C: Linear compensation to undo, % per °C; 0 for none.
        reference_C: What it refers to, °C.
        period_s: Time between requests, or expected between lines, s.
        timeout_s: How long to wait for a reply, or for a line that is not asked for, s.
    """

    reservoir: str
    probe: str
    port: str
    reply: ReplyPattern
    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    request: bytes = b""
    conductivity_unit: str = "uS/cm"
    temperature_unit: str = "degC"
    percent_per_C: float = 0.0
    reference_C: float = 25.0
    period_s: float = 2.0
    timeout_s: float = 1.0


class LineProbe:
    """One instrument; a plain state machine around a serial port."""

    def __init__(self, settings: LineSettings) -> None:
        """Remember the settings; the port is opened at the first `wake`."""
        self._set = settings
        self._port: serial.Serial | None = None
        self._splitter = Splitter()
        self._next_request_s = 0.0
        self._deadline_s: float | None = None
        self._reopen_s = 0.0
        self._last_heard_s: float | None = None
        self._last_fault_s = float("-inf")
        self._unread = ""
        self._missed = False
        self._cut = False
        self._quiet_s: float | None = None

    @property
    def name(self) -> str:
        """Name of the probe."""
        return self._set.probe

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while the port is shut."""
        return None if self._port is None else int(self._port.fileno())

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        if self._port is None:
            return self._reopen_s
        due_s = self._next_request_s if self._deadline_s is None else self._deadline_s
        return due_s if self._quiet_s is None else min(due_s, self._quiet_s)

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: open the port, ask, or give up waiting."""
        if now.mono_s < self.wake_s():
            return []
        if self._port is None:
            return self._open(now)
        if self._quiet_s is not None and now.mono_s >= self._quiet_s:
            return self._listened(now, self._port)
        if self._deadline_s is not None:
            return self._gave_up(now)
        return self._ask(now)

    def readable(self, now: Instant) -> list[Sample]:
        """Take what has arrived."""
        if self._port is None:
            return []
        try:
            chunk = self._port.read(CHUNK)
        except TROUBLE as exc:
            return self._lost(now, f"reading failed ({_why(exc)})")
        samples = []
        for line in self._splitter.feed(chunk):
            samples += self._heard(line, now)
        return samples

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        if self._port is not None:
            with suppress(*TROUBLE):
                self._port.close()
        self._port = None

    def _open(self, now: Instant) -> list[Sample]:
        conf = self._set
        self._reopen_s = now.mono_s + self._pause_s()
        try:
            self._port = serial.Serial(
                conf.port,
                conf.baud,
                bytesize=conf.bytesize,
                parity=conf.parity,
                stopbits=conf.stopbits,
                timeout=0,
                write_timeout=0.5,
                exclusive=True,
            )
        except (*TROUBLE, ValueError) as exc:
            self._port = None
            return self._fault(now, f"port {conf.port} cannot be opened: {_opening(exc)}")
        self._splitter.clear()
        self._last_heard_s, self._deadline_s = now.mono_s, None
        # Who talks by himself may be in the middle of a line.
        self._missed, self._cut = False, not conf.request
        self._quiet_s = now.mono_s + min(QUIET_S, conf.period_s / 2.0) if self._cut else None
        self._next_request_s = now.mono_s
        return self._ask(now)

    def _pause_s(self) -> float:
        """How long to leave a port alone that is not there: a value must come in two periods."""
        return min(REOPEN_S, self._set.period_s / 4.0)

    def _listened(self, now: Instant, port: serial.Serial) -> list[Sample]:
        """Take what comes next for whole, if nothing came since the port was opened."""
        self._quiet_s = None
        try:
            if not port.in_waiting and not self._splitter.unfinished:
                self._cut = False
        except TROUBLE as exc:
            return self._lost(now, f"reading failed ({_why(exc)})")
        return []

    def _ask(self, now: Instant) -> list[Sample]:
        conf = self._set
        if not conf.request:
            self._deadline_s = now.mono_s + conf.timeout_s
            return []
        missed = now.mono_s - self._next_request_s > conf.period_s
        self._next_request_s = (now.mono_s if missed else self._next_request_s) + conf.period_s
        try:
            if self._port is not None:
                self._forget_last_reply(self._port)
                self._port.write(conf.request)
        except TROUBLE as exc:
            return self._lost(now, f"writing failed ({_why(exc)})")
        self._unread = ""
        self._deadline_s = now.mono_s + conf.timeout_s
        return []

    def _forget_last_reply(self, port: serial.Serial) -> None:
        """Let neither a slow reply nor the end of one pass for a reply to what is asked next."""
        if self._splitter.feed(port.read(CHUNK)):
            self._missed = False
        port.reset_input_buffer()
        self._cut = self._missed and self._splitter.unfinished
        self._splitter.clear()

    def _gave_up(self, now: Instant) -> list[Sample]:
        conf = self._set
        self._deadline_s, self._missed = None, True
        if not conf.request:
            self._next_request_s = now.mono_s
            heard = self._last_heard_s or now.mono_s
            text = f"no line from {conf.port} for {now.mono_s - heard:.0f} s"
            return self._fault(now, f"{text}; check power and cable, and that it sends by itself")
        if self._unread:
            return self._fault(now, self._unread_sentence(), self._unread)
        return self._fault(
            now,
            f"no reply on {conf.port} within {conf.timeout_s:g} s; check power, cable, baud"
            f" ({conf.baud}) and request ({conf.request!r})",
        )

    def _heard(self, line: str, now: Instant) -> list[Sample]:
        cut, self._cut, self._missed, self._quiet_s = self._cut, False, False, None
        if cut or (self._set.request and self._deadline_s is None):
            return []
        try:
            spoken = parse(line, self._set.reply)
        except Unreadable:
            # Noise before a reply costs nothing; noise instead of one is told.
            self._unread = shown(line)
            if self._set.request:
                return []
            return self._fault(now, self._unread_sentence(), self._unread)
        self._last_heard_s = now.mono_s
        self._deadline_s = None
        if not self._set.request:
            self._next_request_s = now.mono_s
            self._ask(now)
        return [self._sample(spoken, line, now)]

    def _unread_sentence(self) -> str:
        return (
            f"unreadable line on {self._set.port}: {self._unread!r} does not fit the reply"
            " pattern; check baud, wiring and reply"
        )

    def _sample(self, spoken: Spoken, line: str, now: Instant) -> Sample:
        conf = self._set
        water_C = units.temperature_C(spoken.temperature, conf.temperature_unit)
        conductivity = units.conductivity_mS_cm(spoken.conductivity, conf.conductivity_unit)
        if conf.percent_per_C:
            conductivity = units.uncompensated(
                conductivity, water_C, conf.percent_per_C, conf.reference_C
            )
        return Sample(
            conf.reservoir, conf.probe, now, conductivity, water_C, spoken.pump, "", shown(line)
        )

    def _lost(self, now: Instant, what: str) -> list[Sample]:
        self.close()
        self._reopen_s = now.mono_s + self._pause_s()
        return self._fault(now, f"port {self._set.port}: {what}; is the adapter still plugged in?")

    def _fault(self, now: Instant, sentence: str, spoken: str = "") -> list[Sample]:
        spacing_s = max(FAULT_SPACING_S, self._set.period_s)
        if now.mono_s - self._last_fault_s < spacing_s:
            return []
        self._last_fault_s = now.mono_s
        return [
            Sample(self._set.reservoir, self._set.probe, now, None, None, None, sentence, spoken)
        ]


def _why(exc: BaseException) -> str:
    return str(exc) or type(exc).__name__


def _opening(exc: BaseException) -> str:
    number = getattr(exc, "errno", None)
    remedies = {
        2: "there is no such device; plug the adapter in, or correct the probe's port",
        11: "another program holds it; stop that program",
        13: "no permission; add the service's user to the group dialout",
        16: "another program holds it; stop that program",
    }
    return remedies.get(number or 0, _why(exc))
