"""What measuring needs of a driver, and what a driver tells the configuration.

The page beside this module says how to write one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, Protocol, TypeVar, runtime_checkable

from daemon.config.devices import Device, device_at
from daemon.config.probe import Source
from daemon.entries import Sample
from daemon.mixing.probe.likely_settings import Alternative

if TYPE_CHECKING:
    from daemon.entries import Instant

S = TypeVar("S", bound=Source)
B = TypeVar("B")

FAULT_SPACING_S = 5.0
"""An instrument that is away for a night fills no card with faults; our own choice."""


@runtime_checkable
class Driver(Protocol):
    """One instrument.  None of these waits for it, and none raises an exception."""

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None for none at this moment."""

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` is to be called next."""

    def readable(self, now: Instant) -> list[Sample]:
        """Take what has arrived at the descriptor."""

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: open, ask, or give up waiting; nothing where nothing is due."""

    def close(self) -> None:
        """Let go of everything; may be called twice."""


class Buses:
    """What several drivers use together: a line, a connection, a bus; one of each device."""

    def __init__(self) -> None:
        """Begin with none."""
        self._known: dict[tuple[type, Device], object] = {}

    def shared(self, kind: type[B], path: str, make: Callable[[], B]) -> B:
        """Return what is shared at a device; made where this is the first to ask for it.

        Args:
            kind: Of what is shared.
            path: Of the device, or host and port; two paths to one device are the same.
            make: Makes it; opens nothing yet.
        """
        key = (kind, device_at(path))
        found = self._known.get(key)
        if not isinstance(found, kind):
            found = self._known[key] = make()
        return found


def _no_alternatives(_section: object, _sample: Sample) -> list[Alternative]:
    return []


@dataclass(frozen=True, slots=True)
class DriverKind(Generic[S]):
    """What the name of a driver in the configuration stands for.

    Attributes:
        section: Its section: the keys of every source and those of its own.
        make: Makes a driver of the name of a reservoir (empty for an input), such a section, and
            what drivers share; opens nothing yet.
        alternatives: What other settings would have made of the same reply, for a person who
            looks for the right ones; a driver that has no such settings leaves it out.
    """

    section: type[S]
    make: Callable[[str, S, Buses], Driver]
    alternatives: Callable[[S, Sample], list[Alternative]] = _no_alternatives


class FaultLimit:
    """Faults as samples, and no more of them than one needs to see that something is wrong."""

    def __init__(self, reservoir: str, probe: str, period_s: float) -> None:
        """Name the probe; `period_s` is the time between its readings, s."""
        self._names = (reservoir, probe)
        self._spacing_s = max(FAULT_SPACING_S, period_s)
        self._last_s = -math.inf

    def due(self, now: Instant) -> bool:
        """Say whether a fault that is noticed now becomes a sample."""
        return now.mono_s - self._last_s >= self._spacing_s

    def samples(self, now: Instant, sentence: str, spoken: str = "") -> list[Sample]:
        """Return the fault as a sample, or nothing soon after another one.

        Args:
            now: When it was noticed.
            sentence: What is wrong, where, and what to do.
            spoken: What the instrument said instead, as it may be shown.
        """
        if not self.due(now):
            return []
        self._last_s = now.mono_s
        return [Sample(*self._names, now, None, None, None, sentence, spoken)]
