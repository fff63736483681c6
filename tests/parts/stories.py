"""Stories of water for tests: what happens in a vessel, as the samples of a probe in it.

Salinity becomes conductivity by the gsw library, so that nothing of the daemon judges itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

import gsw

from daemon.entries import Entry, Event, Instant, Kind, Sample
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.played import play
from tests.parts.weights import weights

MORNING = datetime(2026, 3, 2, 8, tzinfo=UTC)
VESSEL = Vessel(fill_l=180.0, capacity_l=220.0, mix_yield=0.881)
BATCH = BatchSettings(vessel=VESSEL)
SALT_SHARE = 35.16504 / 35000.0
"""Grams of salt in a gram of seawater for each unit of practical salinity: TEOS-10 (2010)."""


@dataclass
class Story:
    """What happens to the water in a vessel, as the samples of a probe in it.

    Attributes:
        period_s: Between two samples, s.
        salinity: Of the water now.
        t_s: Now, monotonic seconds of the boot.
        samples: So far.
    """

    period_s: float = 5.0
    salinity: float = 0.0
    t_s: float = 1000.0
    wall: datetime = MORNING
    boot: str = "boot-1"
    samples: list[Sample] = field(default_factory=list)
    dice: Random = field(default_factory=lambda: Random(11))

    def still(self, minutes: float) -> Story:
        """Nothing happens."""
        return self._go(minutes, lambda _: self.salinity)

    def ramp(self, minutes: float, to: float) -> Story:
        """Salinity goes evenly to another one."""
        start, span_s = self.salinity, minutes * 60.0
        self._go(minutes, lambda gone_s: start + (to - start) * gone_s / span_s)
        self.salinity = to
        return self

    def dissolve(self, to: float, minutes: float = 45.0, tau_s: float = 100.0) -> Story:
        """Salt goes into solution, or water mixes in, with one time constant."""
        start = self.salinity
        self._go(minutes, lambda gone_s: to + (start - to) * 2.718281828 ** (-gone_s / tau_s))
        self.salinity = to
        return self

    def refilled(self) -> Story:
        """The vessel is drained, so that the probe hangs dry, and filled with purified water."""
        self.lifted(6)
        self.salinity = 0.0
        return self.still(13)

    def silence(self, minutes: float) -> Story:
        """The probe says nothing, and the driver says so."""
        for _ in range(int(minutes * 60.0 / self.period_s)):
            self.say(None, None, "no reply on /dev/ttyUSB0")
        return self

    def lifted(self, minutes: float) -> Story:
        """The probe hangs in air."""
        for _ in range(int(minutes * 60.0 / self.period_s)):
            self.say(0.0, 24.0)
        return self

    def away(self, hours: float, boot: str | None = None) -> Story:
        """Nobody measures for so long; `boot` if the machine was off meanwhile."""
        self.wall += timedelta(hours=hours)
        self.t_s += hours * 3600.0
        if boot is not None:
            self.boot, self.t_s = boot, 12.0
        return self

    def _go(self, minutes: float, course: Callable[[float], float]) -> Story:
        for n in range(round(minutes * 60.0 / self.period_s)):
            salinity = course(n * self.period_s)
            level = float(gsw.C_from_SP(salinity, 24.0, 0.0)) if salinity > 0.01 else 0.004
            # As a probe of five digits and 0.01 °C says it.
            self.say(
                round(level * (1.0 + self.dice.gauss(0.0, 1.5e-4)), 3),
                round(24.0 + self.dice.gauss(0.0, 0.006), 2),
            )
        return self

    def say(self, conductivity: float | None, warmth: float | None, fault: str = "") -> None:
        """The probe says this."""
        at = Instant(self.wall, self.t_s, self.boot)
        self.samples.append(Sample("mix-1", "ct-1", at, conductivity, warmth, fault=fault))
        self.t_s += self.period_s
        self.wall += timedelta(seconds=self.period_s)

    def play(self, station: Station | None = None, settings: BatchSettings = BATCH) -> list[Entry]:
        """Feed all samples and return the entries; the samples are then gone."""
        station = station or a_station(settings)
        given, self.samples = self.samples, []
        return play(station, given)


def a_station(settings: BatchSettings = BATCH, probe_percent: float = 0.5) -> Station:
    """A station with one reservoir and one probe."""
    probes = {"ct-1": ProbeUncertainty(probe_percent, 0.1)}
    return Station({"mix-1": ReservoirSettings("mix-1", settings, probes=probes)}, weights())


def mixed(salinity: float = 34.0, minutes: float = 45.0) -> Story:
    """Three minutes of purified water and then a batch of this salinity."""
    return Story().still(3).dissolve(salinity, minutes)


def of(entries: list[Entry], kind: Kind) -> list[Event]:
    """The events of one kind."""
    return [each for each in entries if isinstance(each, Event) and each.kind is kind]


def phases(entries: list[Entry]) -> list[str]:
    """The phases that were entered, in order."""
    return [str(facts_in(event)["to"]) for event in of(entries, Kind.PHASE)]


def alarms(entries: list[Entry]) -> list[tuple[str, str]]:
    """The alarms to which something happened, and what."""
    return [(str(facts_in(e)["name"]), str(facts_in(e)["what"])) for e in of(entries, Kind.ALARM)]


def number(event: Event, name: str) -> float:
    """A fact that must be a number."""
    value = facts_in(event)[name]
    assert isinstance(value, int | float)
    return float(value)


def minutes_between(first: Event, second: Event) -> float:
    """Minutes from one event to another."""
    return (second.at.wall - first.at.wall).total_seconds() / 60.0
