"""Drivers run for a short while, as measuring runs them, with no station behind them."""

from __future__ import annotations

import select
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.config import Config, Source
from daemon.probes import registry
from daemon.probes.driver import Buses

if TYPE_CHECKING:
    from daemon.clock import Clock
    from daemon.entries import Sample
    from daemon.probes.driver import Driver

LONGEST_WAIT_S = 0.25


@dataclass(frozen=True, slots=True)
class Subject:
    """One probe or input of the configuration.

    Attributes:
        reservoir: That a probe is in; empty for an input.
        section: Its section.
    """

    reservoir: str
    section: Source

    @property
    def name(self) -> str:
        """What the configuration calls it."""
        return self.section.name

    @property
    def words(self) -> str:
        """It and its place."""
        return f"probe {self.name} of {self.reservoir}" if self.reservoir else f"input {self.name}"


def subjects(config: Config, name: str | None = None) -> list[Subject]:
    """Return the probes and inputs of a configuration, or those of one name.

    Args:
        config: Of the station.
        name: Of a probe or an input; None for all.
    """
    found = [
        Subject(reservoir.name, probe)
        for reservoir in config.reservoirs
        for probe in reservoir.probes
    ]
    found += [Subject("", each) for each in config.inputs]
    return [each for each in found if name in (None, each.name)]


def run_subjects(
    chosen: Sequence[Subject], clock: Clock, goes_on: Callable[[float], bool]
) -> Generator[tuple[Subject, Sample], None, None]:
    """Yield each sample as it comes.

    Args:
        chosen: What to read.
        clock: Where time comes from.
        goes_on: Given the monotonic seconds, says whether to go on.
    """
    buses = Buses()
    drivers = [(each, registry.make(each.reservoir, each.section, buses)) for each in chosen]
    try:
        while goes_on(clock.now().mono_s):
            ready = _wait([driver for _, driver in drivers], clock)
            now = clock.now()
            for subject, driver in drivers:
                samples = driver.readable(now) if driver.fileno() in ready else []
                for sample in [*samples, *driver.wake(now)]:
                    yield subject, sample
    finally:
        for _, driver in drivers:
            driver.close()


def _wait(drivers: Sequence[Driver], clock: Clock) -> list[int]:
    now_s = clock.mono_s()
    due_s = min((each.wake_s() for each in drivers), default=now_s + LONGEST_WAIT_S)
    wait_s = min(clock.real_s(max(0.0, due_s - now_s)), LONGEST_WAIT_S)
    descriptors = [number for each in drivers if (number := each.fileno()) is not None]
    return select.select(descriptors, [], [], wait_s)[0]


def read_for(chosen: Sequence[Subject], clock: Clock, for_s: float) -> dict[str, list[Sample]]:
    """Return what came of each, by its words, within a time.

    Args:
        chosen: What to read.
        clock: Where time comes from.
        for_s: How long, s.
    """
    found: dict[str, list[Sample]] = {each.words: [] for each in chosen}
    end_s = clock.now().mono_s + for_s
    with closing(run_subjects(chosen, clock, lambda now_s: now_s < end_s)) as samples:
        for subject, sample in samples:
            found[subject.words].append(sample)
    return found
