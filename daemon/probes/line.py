"""Instruments on a serial line that answer a request or talk by themselves.

The driver never blocks: it says when it wants to be woken and which file to
watch, and it owes one sample each period, with a fault in it when no value
came.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.entries import Instant, Sample
from daemon.probes.driver import Buses, DriverKind, FaultLimit
from daemon.probes.line_section import LineSection
from daemon.probes.transport import SerialLine, SerialTransport, TransportError
from daemon.wire.line import Frame, Splitter, Spoken, Unreadable, parse, shown
from daemon.wire.near_miss import best_text, near_miss
from daemon.wire.reply import ReplyFormat
from daemon.wire.units import Scale

REOPEN_S = 1.0
QUIET_S = 0.5
"""Who says nothing for so long is not in the middle of a line."""


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
        reply: How a whole reply is written.
        scale: What its two numbers mean.
        period_s: Time between requests, or expected between lines, s.
        timeout_s: How long to wait for a reply, or for a line that needs no request, s.
    """

    reservoir: str
    probe: str
    port: str
    reply: ReplyFormat
    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
    request: bytes = b""
    scale: Scale = field(default_factory=Scale)
    period_s: float = 2.0
    timeout_s: float = 1.0


class LineProbe:
    """One instrument; a plain state machine around a serial port."""

    def __init__(self, settings: LineSettings) -> None:
        """Remember the settings; the port is opened at the first `wake`."""
        self._set = settings
        line = SerialLine(
            settings.port, settings.baud, settings.bytesize, settings.parity, settings.stopbits
        )
        self._port = SerialTransport(line)
        self._splitter = Splitter()
        self._next_request_s = 0.0
        self._deadline_s: float | None = None
        self._reopen_s = 0.0
        self._last_line_s: float | None = None
        self._faults = FaultLimit(settings.reservoir, settings.probe, settings.period_s)
        self._unreadable: Frame | None = None
        self._missed = False
        self._cut = False
        self._quiet_s: float | None = None

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while the port is shut."""
        return self._port.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        if self._port.fileno() is None:
            return self._reopen_s
        due_s = self._next_request_s if self._deadline_s is None else self._deadline_s
        return due_s if self._quiet_s is None else min(due_s, self._quiet_s)

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: open the port, ask, or give up waiting."""
        if now.mono_s < self.wake_s():
            return []
        if self._port.fileno() is None:
            return self._open(now)
        if self._quiet_s is not None and now.mono_s >= self._quiet_s:
            return self._end_quiet(now)
        if self._deadline_s is not None:
            return self._time_out(now)
        return self._ask(now)

    def readable(self, now: Instant) -> list[Sample]:
        """Take what has arrived."""
        try:
            chunk = self._port.read()
        except TransportError as exc:
            return self._lost(now, exc)
        samples = []
        for frame in self._splitter.feed(chunk):
            samples += self._take_line(frame, now)
        return samples

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        self._port.close()

    def _open(self, now: Instant) -> list[Sample]:
        conf = self._set
        self._reopen_s = now.mono_s + self._pause_s()
        try:
            self._port.open()
        except TransportError as exc:
            return self._faults.samples(now, str(exc))
        self._splitter.clear()
        self._last_line_s, self._deadline_s = now.mono_s, None
        # Who talks by himself may be in the middle of a line.
        self._missed, self._cut = False, not conf.request
        self._quiet_s = now.mono_s + min(QUIET_S, conf.period_s / 2.0) if self._cut else None
        self._next_request_s = now.mono_s
        return self._ask(now)

    def _pause_s(self) -> float:
        """How long to leave a port alone that is not there: a value must come in two periods."""
        return min(REOPEN_S, self._set.period_s / 4.0)

    def _end_quiet(self, now: Instant) -> list[Sample]:
        """Take what comes next for whole, if nothing came since the port was opened."""
        self._quiet_s = None
        try:
            if not self._port.waiting() and not self._splitter.unfinished:
                self._cut = False
        except TransportError as exc:
            return self._lost(now, exc)
        return []

    def _ask(self, now: Instant) -> list[Sample]:
        conf = self._set
        if not conf.request:
            self._deadline_s = now.mono_s + conf.timeout_s
            return []
        missed = now.mono_s - self._next_request_s > conf.period_s
        self._next_request_s = (now.mono_s if missed else self._next_request_s) + conf.period_s
        try:
            self._forget_last_reply()
            self._port.write(conf.request)
        except TransportError as exc:
            return self._lost(now, exc)
        self._unreadable = None
        self._deadline_s = now.mono_s + conf.timeout_s
        return []

    def _forget_last_reply(self) -> None:
        """Let neither a slow reply nor the end of one pass for the reply to the next request."""
        if self._port.waiting():
            if self._splitter.feed(self._port.read()):
                self._missed = False
            self._port.discard()
        self._cut = self._missed and self._splitter.unfinished
        self._splitter.clear()

    def _time_out(self, now: Instant) -> list[Sample]:
        conf = self._set
        self._deadline_s, self._missed = None, True
        if not conf.request:
            self._next_request_s = now.mono_s
            last_s = self._last_line_s or now.mono_s
            text = f"no line from {conf.port} for {now.mono_s - last_s:.0f} s"
            return self._faults.samples(
                now, f"{text}; check power and cable, and that it sends by itself"
            )
        if self._unreadable is not None:
            return self._unreadable_samples(now, self._unreadable)
        return self._faults.samples(
            now,
            f"no reply on {conf.port} within {conf.timeout_s:g} s; check power, cable, baud"
            f" ({conf.baud}) and request ({conf.request!r})",
        )

    def _take_line(self, frame: Frame, now: Instant) -> list[Sample]:
        cut, self._cut, self._missed, self._quiet_s = self._cut, False, False, None
        if cut or (self._set.request and self._deadline_s is None):
            return []
        reply = self._set.reply
        line = frame.text(reply.encoding)
        try:
            spoken = parse(line, reply.pattern, reply.decimal)
        except Unreadable:
            # Noise before a reply costs nothing; noise instead of one is a fault.
            self._unreadable = frame
            return [] if self._set.request else self._unreadable_samples(now, frame)
        self._last_line_s = now.mono_s
        self._deadline_s = None
        if not self._set.request:
            self._next_request_s = now.mono_s
            self._ask(now)
        return [self._sample(spoken, line, now)]

    def _unreadable_samples(self, now: Instant, frame: Frame) -> list[Sample]:
        # To look for what is wrong takes longer than to read a line, and noise has many.
        if not self._faults.due(now):
            return []
        line = shown(best_text(frame, self._set.reply.encoding))
        lacks = near_miss(frame, self._set.reply)
        why = (
            f"nearly fits the reply pattern: {lacks}"
            if lacks
            else "does not fit the reply pattern; check baud, wiring and reply"
        )
        text = f"unreadable line on {self._set.port}: {line!r} {why}"
        return self._faults.samples(now, text, line)

    def _sample(self, spoken: Spoken, line: str, now: Instant) -> Sample:
        conf = self._set
        conductivity, water_C = conf.scale.water(spoken.conductivity, spoken.temperature)
        return Sample(
            conf.reservoir, conf.probe, now, conductivity, water_C, spoken.pump, "", shown(line)
        )

    def _lost(self, now: Instant, exc: TransportError) -> list[Sample]:
        self._reopen_s = now.mono_s + self._pause_s()
        return self._faults.samples(now, str(exc))


def _line_probe(reservoir: str, section: LineSection, _buses: Buses) -> LineProbe:
    return LineProbe(
        LineSettings(
            reservoir=reservoir,
            probe=section.name,
            port=section.port,
            reply=section.reply_format,
            baud=section.baud,
            bytesize=section.bytesize,
            parity=section.parity,
            stopbits=section.stopbits,
            request=(section.request or "").encode("ascii"),
            scale=section.scale,
            period_s=section.period_s,
            timeout_s=section.timeout_s,
        )
    )


DRIVER = DriverKind(LineSection, _line_probe)
