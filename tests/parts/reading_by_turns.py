"""One driver that reads by a thread, with a clock that a test turns on by a period."""

from __future__ import annotations

import select
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from daemon.entries import Instant, Sample
from daemon.probes.driver import Driver
from daemon.probes.periodic_read import PeriodicRead
from tests.conftest import PATIENCE_S

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


@dataclass
class Turns:
    """A driver and the moment.

    Attributes:
        driver: A `PeriodicRead`.
        period_s: Between two turns, s.
        t_s: Monotonic seconds.
        samples: What it gave so far.
    """

    driver: Driver
    period_s: float = 2.0
    t_s: float = 1000.0
    samples: list[Sample] = field(default_factory=list)

    def now(self) -> Instant:
        """The moment."""
        return Instant(START + timedelta(seconds=self.t_s), self.t_s, "boot-1")

    def turn(self, count: int = 1) -> list[Sample]:
        """Let so many periods pass; whatever is read is waited for.  Return what came."""
        came = list[Sample]()
        for _ in range(count):
            came += self._at_this_moment()
            self.t_s += self.period_s
        self.samples += came
        return came

    def hang(self, duration_s: float) -> list[Sample]:
        """Let time pass, and wait for nothing."""
        came, until_s = list[Sample](), self.t_s + duration_s
        while self.t_s < until_s:
            came += self.driver.wake(self.now())
            self.t_s += 0.25
        self.samples += came
        return came

    def fault(self) -> str:
        """The one fault of the next turn, long after the last one."""
        self.t_s += 60.0
        (sample,) = self.turn()
        assert (None, None, None) == (
            sample.conductivity_mS_cm, sample.temperature_C, sample.pump,
        )  # fmt: skip
        return sample.fault

    def slow_turn(self, read_s: float) -> list[Sample]:
        """Let a period pass in which the read lasts so long.  Return what came."""
        self.driver.wake(self.now())
        self.t_s += read_s
        came = self._what_is_read()
        self.t_s += self.period_s - read_s
        self.samples += came
        return came

    def _at_this_moment(self) -> list[Sample]:
        return self.driver.wake(self.now()) + self._what_is_read()

    def _what_is_read(self) -> list[Sample]:
        came = list[Sample]()
        assert isinstance(self.driver, PeriodicRead)
        while self.driver.reading:
            descriptor = self.driver.fileno()
            assert descriptor is not None
            assert select.select([descriptor], [], [], PATIENCE_S)[0], "no read came to an end"
            came += self.driver.readable(self.now())
        return came
