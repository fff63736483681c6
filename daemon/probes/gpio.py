"""A pump contact at a line of a GPIO chip, through libgpiod.

A chip may itself sit on a slow bus, so a thread of the chip asks for its lines.  The kernel
debounces: what is read is a level that has lasted.
"""

from __future__ import annotations

import errno
import math
import threading
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

import gpiod
from gpiod.line import Bias, Direction, Value

from daemon.entries import Instant, Sample
from daemon.errors import BrinewrightError
from daemon.probes.background import Background, Caller
from daemon.probes.device_errors import opening
from daemon.probes.driver import Buses, DriverKind, FaultLimit
from daemon.probes.gpio_section import GpioSection

if TYPE_CHECKING:
    from gpiod import LineRequest

DEVICES = Path("/dev")
CONSUMER = "brinewright"
ANSWER_S: Final = 2.0
"""So long may a chip take; our own choice."""
REFUSALS: Final = (NotImplementedError, ValueError)
"""What libgpiod makes of EOPNOTSUPP and EINVAL: a line that cannot be as the section says."""
BIASES: Final = {"pull-up": Bias.PULL_UP, "pull-down": Bias.PULL_DOWN, "none": Bias.DISABLED}


class NoContact(BrinewrightError):  # noqa: N818 - read as a sentence
    """A contact cannot be read; the text says why and what to do."""


class GpioChip:
    """What the lines of one chip share: the thread that asks for them."""

    def __init__(self, chip: str) -> None:
        """Begin with nothing to do.

        Args:
            chip: Its label or device.
        """
        self.background = Background(chip)


class Contact:
    """One line of a chip, kept for as long as it can be read, so that the kernel debounces it."""

    def __init__(self, section: GpioSection) -> None:
        """Remember which; nothing is opened before the first `read`."""
        self._section = section
        self._request: LineRequest | None = None
        self._lock = threading.Lock()
        self._closed = False

    def read(self) -> bool:
        """Return whether the pump runs; may block.

        Raises:
            NoContact: The line cannot be had or read; the next call begins again.
        """
        with self._lock:
            try:
                return self._value()
            except (OSError, *REFUSALS) as exc:
                self._release()
                raise NoContact(self._trouble(exc)) from exc
            finally:
                if self._closed:
                    self._release()

    def close(self) -> None:
        """Give the line back; where a thread is at it, once that has ended."""
        self._closed = True
        if self._lock.acquire(blocking=False):
            try:
                self._release()
            finally:
                self._lock.release()

    def _value(self) -> bool:
        if self._request is None:
            self._request = self._open()
        return self._request.get_values()[0] is Value.ACTIVE

    def _open(self) -> LineRequest:
        wanted = self._section
        settings = gpiod.LineSettings(
            direction=Direction.INPUT,
            active_low=wanted.active_low,
            bias=BIASES[wanted.bias],
            debounce_period=timedelta(seconds=wanted.debounce_s),
        )
        line: int | str = int(wanted.line) if wanted.line.isdecimal() else wanted.line
        with gpiod.Chip(str(chip_path(wanted.chip))) as chip:
            return chip.request_lines({self._offset(chip, line): settings}, consumer=CONSUMER)

    def _offset(self, chip: gpiod.Chip, line: int | str) -> int:
        lines = chip.get_info().num_lines
        try:
            offset = chip.line_offset_from_id(line)
        except (FileNotFoundError, ValueError) as exc:
            raise self._no_line(lines) from exc
        if offset >= lines:
            raise self._no_line(lines)
        return offset

    def _no_line(self, lines: int) -> NoContact:
        name, chip = self._section.line, self._section.chip
        return NoContact(
            f"chip {chip} has no line {name}; correct line: it has {lines} lines"
            " (gpioinfo lists their names)"
        )

    def _release(self) -> None:
        if self._request is not None:
            self._request.release()
        self._request = None

    def _trouble(self, exc: Exception) -> str:
        chip, line = self._section.chip, self._section.line
        if not isinstance(exc, OSError):
            return (
                f"line {line} of {chip} cannot be set so ({exc}); put a resistor there and set"
                " bias = 'none'"
            )
        if exc.errno == errno.EBUSY:
            return (
                f"line {line} of {chip} is in use; stop the program that has it, or take another"
                " (gpioinfo tells)"
            )
        absent = "plug it in, or correct chip (gpiodetect lists them)"
        path = chip if chip.startswith("/") else str(DEVICES / "gpiochip0")
        return f"line {line} of {chip}: {opening(exc, path, absent)}"


def chip_path(chip: str) -> Path:
    """Return the device of a chip that is named by its device or its label.

    Raises:
        NoContact: No chip, or more than one, has this label.
        OSError: A chip cannot be asked for its label.
    """
    if chip.startswith("/"):
        return Path(chip)
    paths = {path.resolve() for path in DEVICES.glob("gpiochip*")}
    labels = {path: _label(path) for path in sorted(paths)}
    found = [path for path, label in labels.items() if label == chip]
    if len(found) == 1:
        return found[0]
    if found:
        raise NoContact(
            f"{len(found)} chips have the label {chip}; name the device in chip instead"
        )
    there = ", ".join(labels.values())
    known = f"there are {there}" if there else "there is no chip at all"
    raise NoContact(f"no GPIO chip has the label {chip}; correct chip: {known}")


def _label(path: Path) -> str:
    with gpiod.Chip(str(path)) as chip:
        return chip.get_info().label


class GpioInput:
    """One contact, read once a period."""

    def __init__(self, reservoir: str, section: GpioSection, chip: GpioChip) -> None:
        """Remember the settings; the line is asked for by the first read."""
        self._names = (reservoir, section.name)
        self._where = f"line {section.line} of {section.chip}"
        self._period_s = section.period_s
        self._contact = Contact(section)
        self._caller: Caller[bool] = Caller(chip.background)
        self._faults = FaultLimit(reservoir, section.name, section.period_s)
        self._next_read_s = 0.0
        self._deadline_s = math.inf

    def fileno(self) -> int | None:
        """Return the descriptor that can be read once the contact has been."""
        return self._caller.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        return min(self._next_read_s, self._deadline_s)

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: read, or give up waiting."""
        if now.mono_s >= self._deadline_s:
            self._deadline_s = math.inf
            self._caller.give_up()
            what = f"{self._where} gives no answer; look whether its chip is still connected"
            return self._faults.samples(now, what)
        if now.mono_s >= self._next_read_s and not self._caller.outstanding:
            missed = now.mono_s - self._next_read_s > self._period_s
            self._next_read_s = (now.mono_s if missed else self._next_read_s) + self._period_s
            self._deadline_s = now.mono_s + min(ANSWER_S, self._period_s)
            self._caller.submit(self._contact.read)
        return []

    def readable(self, now: Instant) -> list[Sample]:
        """Take whether the pump runs."""
        outcome = self._caller.take()
        if outcome is None:
            return []
        self._deadline_s = math.inf
        if outcome.raised is not None:
            # A chip that comes back must tell within two periods.
            self._next_read_s = min(self._next_read_s, now.mono_s + self._period_s / 4.0)
        if isinstance(outcome.raised, NoContact):
            return self._faults.samples(now, str(outcome.raised))
        if outcome.raised is not None:
            what = f"{self._where} cannot be read ({outcome.raised!r}); check chip and line"
            return self._faults.samples(now, what)
        runs = outcome.value()
        said = "active" if runs else "inactive"
        return [Sample(*self._names, now, None, None, runs, "", said)]

    def close(self) -> None:
        """Give the line back; may be called twice."""
        self._caller.close()
        self._contact.close()


def _gpio_input(reservoir: str, section: GpioSection, buses: Buses) -> GpioInput:
    chip = buses.shared(GpioChip, section.chip, lambda: GpioChip(section.chip))
    return GpioInput(reservoir, section, chip)


DRIVER = DriverKind(GpioSection, _gpio_input)
