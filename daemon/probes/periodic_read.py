"""A device that is read once a period by a thread, because a read of it may take its time.

It converts at some moment of the read, before or after it waits for its bus: the kernel does not
say when.  So a value is taken to be as old as the read was long, which it is at most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Generic, TypeVar

from daemon.errors import BrinewrightError
from daemon.probes.background import Background, Caller
from daemon.probes.driver import FaultLimit

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.entries import Instant, Sample

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Device(Generic[T]):
    """What is read.

    Attributes:
        what: What a fault calls it, such as "thermometer 28-0316a2798eff".
        read: Reads it, by a thread; what is wrong is a `BrinewrightError` with a sentence.
        sample: Makes a sample of what was read, by the loop; likewise.
    """

    what: str
    read: Callable[[], T]
    sample: Callable[[T, Instant], Sample]


class PeriodicRead(Generic[T]):
    """One such device as a driver."""

    def __init__(
        self,
        names: tuple[str, str],
        device: Device[T],
        *,
        period_s: float,
        timeout_s: float,
        background: Background | None = None,
    ) -> None:
        """Remember all; nothing is read before the first `wake`.

        Args:
            names: Of the reservoir and of the section.
            device: What to read.
            period_s: Between two reads, s.
            timeout_s: How long a read may last until the device counts as hung, s.
            background: Shared with others of one bus; None for a thread of its own.
        """
        self._device = device
        self._period_s, self._timeout_s = period_s, timeout_s
        self._caller = Caller[T](background or Background(device.what))
        self._faults = FaultLimit(*names, period_s)
        self._next_s = 0.0
        self._begun_s = 0.0
        self._deadline_s: float | None = None
        self._silent_since_s: float | None = None

    @property
    def reading(self) -> bool:
        """Whether a read was begun that is waited for."""
        return self._caller.outstanding

    def fileno(self) -> int | None:
        """Return what can be read once the thread is done."""
        return self._caller.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        return self._next_s if self._deadline_s is None else self._deadline_s

    def wake(self, now: Instant) -> list[Sample]:
        """Have it read, or give up waiting."""
        if now.mono_s < self.wake_s():
            return []
        if self._deadline_s is not None:
            return self._time_out(now)
        missed = now.mono_s - self._next_s > self._period_s
        self._next_s = (now.mono_s if missed else self._next_s) + self._period_s
        self._begun_s = now.mono_s
        self._deadline_s = now.mono_s + self._timeout_s
        if self._silent_since_s is None:
            self._silent_since_s = now.mono_s
        self._caller.submit(self._device.read)
        return []

    def readable(self, now: Instant) -> list[Sample]:
        """Take what was read."""
        outcome = self._caller.take()
        if outcome is None:
            return []
        self._deadline_s = self._silent_since_s = None
        try:
            sample = self._device.sample(outcome.value(), now)
            return [_aged(sample, now.mono_s - self._begun_s)]
        except BrinewrightError as exc:
            return self._faults.samples(now, f"{self._device.what}: {exc}")
        except Exception as exc:  # noqa: BLE001 - no exception leaves a driver
            why = f"cannot be read ({type(exc).__name__}: {exc}); please report this"
            return self._faults.samples(now, f"{self._device.what}: {why}")

    def close(self) -> None:
        """Let go of the descriptor; a read that hangs is left to its thread."""
        self._caller.close()
        self._deadline_s = None

    def _time_out(self, now: Instant) -> list[Sample]:
        self._caller.give_up()
        self._deadline_s = None
        since_s = now.mono_s if self._silent_since_s is None else self._silent_since_s
        why = (
            f"has not answered for {now.mono_s - since_s:.0f} s; unplug it and plug it in again,"
            " or raise timeout_s"
        )
        return self._faults.samples(now, f"{self._device.what}: {why}")


def _aged(sample: Sample, read_s: float) -> Sample:
    """Return a sample whose values are as old as the read of them was long."""
    age_s = max(0.0, round(read_s, 2))
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    return replace(
        sample,
        conductivity_age_s=0.0 if conductivity is None else age_s,
        temperature_age_s=0.0 if temperature is None else age_s,
    )
