"""Instruments on a real serial line: a pseudo-terminal under a name of the caller's choice.

A line knows bytes and time; what is said is up to its `Speaker`.  As on a real
adapter, what an instrument says while nobody has the port open is lost.  The
kernel keeps about 4 KB that a reader is slow to take; beyond that words are
dropped, or waited for when the speaker says that none may be lost.
"""

from __future__ import annotations

import os
import select
import termios
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

# Opening a port flushes what came before: a reader needs this long, real
# seconds, between opening it and being sure to read what is said.
SETTLE_S = 0.5
_IDLE_S = 0.25
_CLOSED_S = 0.02
_CHUNK = 512


class LineError(OSError):
    """The line cannot be had; the text says which and what to do."""


class Speaker(Protocol):
    """Something that talks over a line, in simulated seconds."""

    @property
    def plugged(self) -> bool:
        """Whether its cable is in."""

    @property
    def lossless(self) -> bool:
        """Whether to wait for a slow reader rather than drop words."""

    def advance(self, t_s: float) -> bytes:
        """Let time pass until `t_s` and return what it says by itself."""

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Let time pass until `t_s`, take bytes from the line, return what it says."""

    def next_s(self) -> float | None:
        """Return when it next has something to do; None when it never has."""


@dataclass(slots=True)
class SimulatedLine:
    """A speaker on a pseudo-terminal; `serve` runs it until `stop` is called.

    Attributes:
        link: The name of the port, made as a symbolic link.
        speaker: Who talks.
        speed: Simulated seconds per real second, more than 0.
        waits_for_reader: Hold time still until the port has been open for
            `SETTLE_S`, so that the first words are not lost, or until something
            is asked: whoever asks reads already.
        go: Hold time still until this file exists; None not to.
        clock: Real seconds, monotonic.
    """

    link: Path
    speaker: Speaker
    speed: float = 1.0
    waits_for_reader: bool = False
    go: Path | None = None
    clock: Callable[[], float] = time.monotonic
    _master: int | None = None
    _target: str = ""
    _stopped: bool = False
    _wake: tuple[int, int] | None = field(default_factory=os.pipe)

    def plug(self) -> None:
        """Open a pseudo-terminal and put its name at `link`.

        Raises:
            LineError: Something that is not a simulated port is there already,
                or the link cannot be made.
        """
        if self._master is not None:
            return
        self._refuse_strangers()
        master, slave = os.openpty()
        tty.setraw(slave)
        self._target = os.ttyname(slave)
        # Ours must be closed: only then does the master show whether a reader is there.
        os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        fresh = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        try:
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self._target)
            fresh.replace(self.link)
        except OSError as exc:
            self.unplug()
            msg = f"{self.link}: cannot make the port ({exc.strerror}); choose another --link"
            raise LineError(msg) from exc

    def unplug(self) -> None:
        """Close the pseudo-terminal, as a pulled cable does, and remove the link."""
        if self._master is None:
            return
        os.close(self._master)
        self._master = None
        if self.link.is_symlink() and str(self.link.readlink()) == self._target:
            self.link.unlink()

    def stop(self) -> None:
        """Make `serve` return soon; may be called from a signal handler or a thread."""
        self._stopped = True
        # Once served its descriptors are closed, and may be another file's by now.
        wake = self._wake
        if wake is not None:
            # Whoever serves may be closing it in this moment, and then needs no waking.
            with suppress(OSError):
                os.write(wake[1], b".")

    def serve(self) -> None:
        """Talk until stopped; the port is gone afterwards.

        Raises:
            LineError: The port cannot be made.
        """
        self.plug()
        try:
            self._hold()
            start_s = self.clock()
            while not self._stopped:
                t_s = (self.clock() - start_s) * self.speed
                said = self.speaker.advance(t_s)
                self._follow_cable()
                self._say(said)
                for data in self._listen(t_s):
                    now_s = (self.clock() - start_s) * self.speed
                    self._say(self.speaker.respond(data, now_s))
        finally:
            self.unplug()
            self._close_wake()

    def has_reader(self) -> bool:
        """Return whether a program has the port open."""
        return self._master is not None and not self._poll(0.0) & select.POLLHUP

    def reader_speed(self) -> int:
        """Return the speed that the reader has set, as termios calls it; 0 without a port.

        Both ends of a pseudo-terminal show the same settings.
        """
        return 0 if self._master is None else int(termios.tcgetattr(self._master)[5])

    def _refuse_strangers(self) -> None:
        there = self.link
        if there.is_symlink() and str(there.readlink()).startswith("/dev/pts/"):
            return
        if there.is_symlink() or there.exists():
            msg = f"{there}: exists and is not a simulated port; choose another --link"
            raise LineError(msg)

    def _follow_cable(self) -> None:
        if self.speaker.plugged:
            self.plug()
        else:
            self.unplug()

    def _hold(self) -> None:
        """Hold time still until everybody that must be there is."""
        while self.go is not None and not self.go.exists() and not self._stopped:
            self._sleep(_CLOSED_S)
        if not self.waits_for_reader:
            return
        open_since_s: float | None = None
        while not self._stopped:
            if not self.has_reader():
                open_since_s = None
            elif open_since_s is None:
                open_since_s = self.clock()
            elif self.clock() - open_since_s >= SETTLE_S:
                return
            if open_since_s is None:
                self._sleep(_CLOSED_S)
            elif self._poll(_CLOSED_S) & select.POLLIN:
                return

    def _listen(self, t_s: float) -> list[bytes]:
        """Wait for bytes until the speaker has something to do; return those that came."""
        due_s = self.speaker.next_s()
        wait_s = _IDLE_S if due_s is None else min(_IDLE_S, max(0.0, due_s - t_s) / self.speed)
        if self._master is None:
            self._sleep(wait_s)
            return []
        happened = self._poll(wait_s)
        if happened & select.POLLIN:
            return self._read(self._master)
        if happened & select.POLLHUP:
            # With nobody there poll returns at once: wait here instead of spinning.
            self._sleep(min(wait_s, _CLOSED_S))
        return []

    @staticmethod
    def _read(master: int) -> list[bytes]:
        try:
            return [os.read(master, _CHUNK)]
        except OSError:
            # The reader left between asking and being heard.
            return []

    def _say(self, words: bytes) -> None:
        while words and self._master is not None and not self._stopped:
            if not self.has_reader():
                return
            try:
                words = words[os.write(self._master, words) :]
            except BlockingIOError:
                if not self.speaker.lossless:
                    return
                self._sleep(_CLOSED_S)

    def _poll(self, wait_s: float) -> int:
        """Return what happened on the master within `wait_s`, or 0."""
        if self._master is None or self._wake is None:
            return 0
        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        poller.register(self._wake[0], select.POLLIN)
        return dict(poller.poll(wait_s * 1000.0)).get(self._master, 0)

    def _sleep(self, wait_s: float) -> None:
        select.select([self._wake[0]] if self._wake else [], [], [], wait_s)

    def _close_wake(self) -> None:
        ends, self._wake = self._wake, None
        for end in ends or ():
            os.close(end)
