"""One driver as the loop of measuring calls it, for tests with real servers.

The driver's clock runs ten times as fast as the real one, so that its spacings cost less.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.config import parse
from daemon.entries import Instant, Sample
from daemon.probes import registry
from daemon.probes.driver import Buses, Driver
from daemon.probes.registry import SECTIONS
from tests.conftest import PATIENCE_S
from tests.parts.configurations import configuration

STEP_S = 0.02
SPEED = 10.0
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass
class DriverRun:
    """A driver, and what it gave so far.

    Attributes:
        driver: It.
        samples: What it gave.
        slowest_s: The longest that a call of it took, s.
        speed: How many times faster than the real clock its own runs.
    """

    driver: Driver
    samples: list[Sample] = field(default_factory=list)
    slowest_s: float = 0.0
    speed: float = SPEED
    _began_s: float = field(default_factory=time.monotonic)

    def now(self) -> Instant:
        """The moment, by the driver's clock."""
        passed_s = self.speed * (time.monotonic() - self._began_s)
        return Instant(NOON + timedelta(seconds=passed_s), 1000.0 + passed_s)

    def turn(self) -> None:
        """Wait a moment for the driver, and call it once."""
        descriptor = self.driver.fileno()
        ready = select.select([] if descriptor is None else [descriptor], [], [], STEP_S)[0]
        now, began_s = self.now(), time.monotonic()
        if ready:
            self.samples += self.driver.readable(now)
        self.samples += self.driver.wake(now)
        self.slowest_s = max(self.slowest_s, time.monotonic() - began_s)

    def run_s(self, duration_s: float) -> None:
        """Let so much time of the driver pass."""
        until_s = time.monotonic() + duration_s / self.speed
        while time.monotonic() < until_s:
            self.turn()

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Go on until something is so.

        Raises:
            AssertionError: It did not come to be in time.
        """
        until_s = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < until_s, f"waited in vain for {what}; {self.faults()[-3:]}"
            self.turn()

    def until_value(self) -> Sample:
        """Go on until a further reading has come; return it."""
        before = len(self.values())
        self.until(lambda: len(self.values()) > before, "a reading")
        return self.values()[before]

    def until_fault(self, part: str) -> str:
        """Go on until a further fault says something; return its sentence."""
        before = len(self.samples)

        def said() -> list[str]:
            return [each.fault for each in self.samples[before:] if part in each.fault]

        self.until(lambda: bool(said()), f"a fault that says {part!r}")
        return said()[0]

    def values(self) -> list[Sample]:
        """The samples that are no faults."""
        return [each for each in self.samples if not each.fault]

    def faults(self) -> list[str]:
        """What was wrong."""
        return [each.fault for each in self.samples if each.fault]


@contextmanager
def running(keys: str, speed: float = SPEED) -> Iterator[DriverRun]:
    """A driver of a section of a probe with these keys; closed in the end."""
    text = configuration(f'[[reservoir.probe]]\nname = "ct-1"\n{keys}')
    config = parse(text, Path("brinewright.toml"), SECTIONS)
    driver = registry.make("mix-1", config.reservoirs[0].probes[0], Buses())
    try:
        yield DriverRun(driver, speed=speed)
    finally:
        driver.close()
