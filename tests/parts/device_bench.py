"""Drivers of simulated devices, with a clock that the test turns and threads that it waits for."""

from __future__ import annotations

import select
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.config import parse
from daemon.entries import Instant, Sample
from daemon.probes import registry
from daemon.probes.driver import Buses, Driver
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration

FILE = Path("brinewright.toml")
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
PUMP_CONTACT = """
[[reservoir.probe]]
name = "ct-1"
driver = "recorded"
path = "rows.csv"
[[input]]
name = "pump-1"
driver = "gpio"
chip = "{chip}"
line = {line}
"""
"""A pump contact, and a probe that stands beside it."""
STEP_S = 0.05
ARRIVES_WITHIN_S = 5.0
HANGS_S = 0.01
"""Real seconds after which a transfer of a bus that hangs by intent counts as hanging."""


class DeviceBench:
    """Drivers of one configuration.

    Attributes:
        t_s: The time, s.
        samples: What the drivers gave.
        hanging: Drivers by number whose transfers are not waited for.
        slowest_s: The longest that a call of a driver took, real seconds.
    """

    def __init__(self) -> None:
        """Begin at 100 s, without a driver."""
        self.t_s, self.slowest_s = 100.0, 0.0
        self.samples: list[Sample] = []
        self.hanging: set[int] = set()
        self.drivers: list[Driver] = []

    def clock(self) -> float:
        """The time for devices, s."""
        return self.t_s

    def add_probes(self, text: str) -> None:
        """Make the drivers of all probes that a configuration has; they share what they can."""
        buses = Buses()
        for reservoir in parse(configuration(text), FILE, SECTIONS).reservoirs:
            probes = reservoir.probes
            self.drivers += [registry.make(reservoir.name, each, buses) for each in probes]

    def add_inputs(self, text: str) -> None:
        """Make the drivers of all inputs, likewise."""
        buses = Buses()
        config = parse(configuration(text), FILE, SECTIONS)
        self.drivers += [registry.make("", each, buses) for each in config.inputs]

    def run(self, duration_s: float) -> list[Sample]:
        """Let time pass; return what came in it."""
        first, until_s = len(self.samples), self.t_s + duration_s - STEP_S / 2.0
        while self.t_s < until_s:
            for number, driver in enumerate(self.drivers):
                self._turn(driver, number in self.hanging)
            self.t_s = round(self.t_s + STEP_S, 3)
        return self.samples[first:]

    def close(self) -> None:
        """Close all drivers."""
        for driver in self.drivers:
            driver.close()

    def _turn(self, driver: Driver, hangs: bool) -> None:  # noqa: FBT001
        now = Instant(NOON + timedelta(seconds=self.t_s), self.t_s)
        due = driver.wake_s() <= self.t_s
        began_s = time.monotonic()
        came = driver.wake(now)
        self.slowest_s = max(self.slowest_s, time.monotonic() - began_s)
        self.samples += came
        descriptor = driver.fileno()
        if descriptor is None:
            return
        # A driver that acted has submitted something, unless it gave up.
        acted = due and not came and driver.wake_s() > self.t_s
        wait_s = (HANGS_S if hangs else ARRIVES_WITHIN_S) if acted else 0.0
        if select.select([descriptor], [], [], wait_s)[0]:
            self.samples += driver.readable(now)


def values(samples: Sequence[Sample]) -> list[tuple[float | None, float | None, bool | None]]:
    """What was measured, in order."""
    return [
        (each.conductivity_mS_cm, each.temperature_C, each.pump)
        for each in samples
        if not each.fault
    ]


def faults(samples: Sequence[Sample]) -> list[str]:
    """What was wrong, in order."""
    return [each.fault for each in samples if each.fault]
