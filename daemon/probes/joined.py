"""Samples of probes and of inputs on their way to the station: what belongs together is joined.

An `[[input]]` is a thermometer or a pump contact that stands on its own.  Its driver is polled
like that of a probe; what it gives is kept here by its name, and each sample of a probe that
names it gets the temperature nearest to the moment of its conductivity, with its age.  A
reservoir's `pump_from` goes to all its probes.

A temperature is never extrapolated: see `deploy/decisions/29-ages-of-joined-values.md`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

from daemon.entries import Sample
from daemon.probes.driver import FaultLimit

if TYPE_CHECKING:
    from daemon.entries import Instant
    from daemon.probes.driver import Driver

ProbeName: TypeAlias = tuple[str, str]
"""Reservoir and probe."""

VALUES_KEPT = 64
"""Newest temperatures of an input among which the nearest is looked for."""


@dataclass(frozen=True, slots=True)
class JoiningSettings:
    """Which values come from which input.

    Attributes:
        oldest_s: Of each input, by name: how old a value of it may be, s.
        temperature_from: Of each probe that has none of its own: the name of its input.
        pump_from: Of each reservoir that has one: the name of its input.
        period_s: Of each probe of `temperature_from`: time between its readings, s.
    """

    oldest_s: Mapping[str, float] = field(default_factory=dict)
    temperature_from: Mapping[ProbeName, str] = field(default_factory=dict)
    pump_from: Mapping[str, str] = field(default_factory=dict)
    period_s: Mapping[ProbeName, float] = field(default_factory=dict)


class Joining:
    """Takes every sample of every driver, and returns those that the station is to have."""

    def __init__(self, settings: JoiningSettings | None = None) -> None:
        """Begin with no value of any input; without settings, every sample passes as it is."""
        self._set = settings or JoiningSettings()
        self._inputs = {
            name: _Input(name, oldest_s) for name, oldest_s in self._set.oldest_s.items()
        }
        self._waiting: dict[ProbeName, Sample] = {}
        self._since_s: dict[ProbeName, float] = {}
        self._limits = {
            (reservoir, probe): FaultLimit(reservoir, probe, self._set.period_s[reservoir, probe])
            for reservoir, probe in self._set.temperature_from
        }

    @property
    def inputs(self) -> tuple[str, ...]:
        """The names of all inputs."""
        return tuple(self._inputs)

    def take(self, sample: Sample) -> list[Sample]:
        """Return what a sample gives; of an input, what waited for its first word.

        Args:
            sample: Of a probe, or of an input, which is in no reservoir.
        """
        if not sample.reservoir and sample.probe in self._inputs:
            self._inputs[sample.probe].take(sample)
            return self._those_that_waited(sample.at)
        key = (sample.reservoir, sample.probe)
        if key not in self._set.temperature_from:
            return [self._with_pump(sample)]
        self._since_s.setdefault(key, sample.at.mono_s)
        if not sample.fault and self._waits(key, sample.at):
            self._waiting[key] = sample
            return []
        self._waiting.pop(key, None)
        return self._joined(sample)

    def due_s(self) -> float:
        """Return when `due` is to be called next, monotonic s; infinite while nothing waits."""
        return min(map(self._waits_until_s, self._waiting), default=math.inf)

    def due(self, now: Instant) -> list[Sample]:
        """Return what has waited for long enough; to be called at each turn."""
        return self._those_that_waited(now) if self._waiting else []

    def _waits(self, key: ProbeName, now: Instant) -> bool:
        """Say whether a probe still waits for the first word of its thermometer after a start.

        Most answer within a second; without waiting, every start would begin with a fault.
        """
        thermometer = self._inputs[self._set.temperature_from[key]]
        return not thermometer.spoke and now.mono_s < self._waits_until_s(key)

    def _waits_until_s(self, key: ProbeName) -> float:
        return self._since_s[key] + self._inputs[self._set.temperature_from[key]].oldest_s

    def _those_that_waited(self, now: Instant) -> list[Sample]:
        found: list[Sample] = []
        for key in [each for each in self._waiting if not self._waits(each, now)]:
            found += self._joined(_later(self._waiting.pop(key), now))
        return found

    def _with_pump(self, sample: Sample) -> Sample:
        name = self._set.pump_from.get(sample.reservoir)
        if name is None:
            return sample
        return replace(sample, pump=self._inputs[name].pump_at(sample.at.mono_s))

    def _joined(self, sample: Sample) -> list[Sample]:
        """Return a sample with the values of its inputs, or with the fault that there is."""
        return [self._with_pump(each) for each in self._with_temperature(sample)]

    def _with_temperature(self, sample: Sample) -> list[Sample]:
        key = (sample.reservoir, sample.probe)
        thermometer = self._inputs[self._set.temperature_from[key]]
        found = thermometer.nearest(sample.at.mono_s - sample.conductivity_age_s)
        if found is not None:
            age_s = max(0.0, round(sample.at.mono_s - found.taken_s, 3))
            return [replace(sample, temperature_C=found.value_C, temperature_age_s=age_s)]
        lacking = thermometer.lacking()
        lacks = replace(sample, temperature_C=None, temperature_age_s=0.0)
        if sample.fault:
            return [replace(lacks, fault=f"{sample.fault}; and {lacking}")]
        # What the instrument said was right, so that it is no word that could not be read.
        faults = self._limits[key].samples(sample.at, lacking)
        return [replace(lacks, fault=each.fault, spoken="") for each in faults]


@dataclass(frozen=True, slots=True)
class _Temperature:
    taken_s: float
    value_C: float


class _Input:
    """The newest values of one input, by monotonic time, and what is wrong with it."""

    def __init__(self, name: str, oldest_s: float) -> None:
        self.spoke = False
        self._name = name
        self.oldest_s = oldest_s
        self._temperatures: deque[_Temperature] = deque(maxlen=VALUES_KEPT)
        self._pump: tuple[float, bool] | None = None
        self._fault = ""

    def take(self, sample: Sample) -> None:
        """Keep what came; a fault says why nothing did, and makes no value younger."""
        self.spoke = True
        self._fault = sample.fault
        if sample.temperature_C is not None:
            taken_s = sample.at.mono_s - sample.temperature_age_s
            self._temperatures.append(_Temperature(taken_s, sample.temperature_C))
        if sample.pump is not None:
            self._pump = (sample.at.mono_s, sample.pump)

    def nearest(self, at_s: float) -> _Temperature | None:
        """Return the temperature nearest to a moment, the newer of two; None where all are old."""
        nearest = min(
            reversed(self._temperatures), key=lambda each: abs(each.taken_s - at_s), default=None
        )
        if nearest is None or abs(nearest.taken_s - at_s) > self.oldest_s:
            return None
        return nearest

    def pump_at(self, at_s: float) -> bool | None:
        """Return whether the pump runs; None once the input has been silent, never off."""
        if self._pump is None or at_s - self._pump[0] > self.oldest_s:
            return None
        return self._pump[1]

    def lacking(self) -> str:
        """Say that there is no temperature, what the input said last, and why there is no more."""
        why = self._fault or "it says nothing; check its power and its cable"
        if not self._temperatures:
            return f"input {self._name} has given no temperature yet: {why}"
        last_C = self._temperatures[-1].value_C
        return (
            f"input {self._name} has given no temperature for more than {self.oldest_s:g} s,"
            f" the last was {last_C:.2f} °C: {why}"
        )


@dataclass(frozen=True, slots=True)
class Instruments:
    """All that is read.

    Attributes:
        drivers: Those of inputs, and then those of probes, so that a probe that is read in the
            same turn has what the inputs gave.
        joining: Of what they give.
    """

    drivers: Sequence[Driver]
    joining: Joining = field(default_factory=Joining)

    @property
    def probes(self) -> int:
        """How many of them are probes."""
        return len(self.drivers) - len(self.joining.inputs)


def _later(sample: Sample, now: Instant) -> Sample:
    """Return a sample that waited until now: as much older is what it measured."""
    waited_s = max(0.0, now.mono_s - sample.at.mono_s)
    age_s = round(sample.conductivity_age_s + waited_s, 3)
    return replace(sample, at=now, conductivity_age_s=age_s)
