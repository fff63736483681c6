"""A corner in which everything happens together: two probes, calibrations, commands, due times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from random import Random

import gsw

from daemon.entries import JSON, Command, Entry, Event, Instant, Kind, Sample, Surroundings
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.mixing.station.station_state import ReservoirState
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, records
from tests.parts.stories import MORNING, VESSEL
from tests.parts.weights import weights

FIRST, SECOND = "ct-1", "ct-2"
PROBES = (FIRST, SECOND)
WATER_C = 24.0
PURE_MS_CM = 0.004
BATCH = BatchSettings(
    vessel=VESSEL, use_within_h=3.0, warn_before_h=1.0, temperature_range_C=(23.0, 26.0)
)
DUE = (DueBatch(None, 10, 30, 60.0), DueBatch(0, 13, 0, 60.0))
"""Every day and on Mondays; the stories begin on a Monday at eight."""
WORTH = ProbeUncertainty(0.3, 0.05)
SETTINGS: Mapping[str, ReservoirSettings] = {
    "mix-1": ReservoirSettings("mix-1", BATCH, probes=dict.fromkeys(PROBES, WORTH), due=DUE)
}
ACTS = (
    ("confirm", 0.0),
    ("confirm", 0.0),
    ("confirm", 4.0),
    ("next", 0.0),
    ("confirm", 0.0),
    ("confirm", 0.0),
)
"""What a person does at the bench from the first rinse to the return, and the minutes after it."""


@dataclass
class Corner:
    """A station with two probes in one vessel, and a keeper.

    Attributes:
        salinity: Of the water now.
        gains: What each probe makes of conductivity.
        silent: Probes that say that they get no reply.
        mute: Whether nothing at all comes, not even that.
        elsewhere: What is around a probe that is not in the water, mS/cm.
        stuck: Probes that repeat their last conductivity, and their last temperature with it.
        stuck_cells: Probes that repeat their last conductivity, beside a sound thermometer.
        settings: Of the reservoir.
    """

    salinity: float = 0.0
    gains: Mapping[str, float] = field(default_factory=lambda: {FIRST: 0.995, SECOND: 1.004})
    warmth_C: float = WATER_C
    wall: datetime = MORNING
    t_s: float = 1000.0
    boot: str = "boot-1"
    period_s: float = 10.0
    silent: frozenset[str] = frozenset()
    mute: bool = False
    elsewhere: dict[str, float] = field(default_factory=dict)
    stuck: set[str] = field(default_factory=set)
    stuck_cells: set[str] = field(default_factory=set)
    settings: Mapping[str, ReservoirSettings] = field(default_factory=lambda: SETTINGS)
    last: dict[str, tuple[float, float]] = field(default_factory=dict)
    bottles: set[str] = field(default_factory=set)
    entries: list[Entry] = field(default_factory=list)
    samples: int = 0
    sent: int = 0
    dice: Random = field(default_factory=lambda: Random(17))
    station: Station = field(init=False)

    def __post_init__(self) -> None:
        """Begin with a new station."""
        self.station = Station(self.settings, weights())

    @property
    def at(self) -> Instant:
        """Now."""
        return Instant(self.wall, self.t_s, self.boot)

    @property
    def state(self) -> ReservoirState:
        """What is remembered of the reservoir."""
        return self.station.state.reservoirs.get("mix-1", ReservoirState())

    @property
    def out(self) -> set[str]:
        """Probes that count as out of the water."""
        return {name for name, each in self.state.probes.items() if each.out_s is not None}

    @property
    def names(self) -> tuple[str, ...]:
        """Of the probes that are configured."""
        return (*self.settings["mix-1"].probes,)

    def run(self, minutes: float, to: float | None = None, tau_s: float = 100.0) -> list[Entry]:
        """Let time pass, in which salinity goes to another one; return what is said."""
        said: list[Entry] = []
        start, final = self.salinity, self.salinity if to is None else to
        for n in range(round(minutes * 60.0 / self.period_s)):
            self.salinity = final + (start - final) * 2.718281828 ** (-n * self.period_s / tau_s)
            if not self.mute:
                said += [entry for name in self.names for entry in self._sample(name)]
            if n % 6 == 0:
                said += self.station.advance(Surroundings(self.at, 10**10))
            self._pass(self.period_s)
        self.salinity = final
        self.entries += said
        return said

    def _sample(self, name: str) -> list[Entry]:
        self.samples += 1
        if name in self.silent:
            said = Sample("mix-1", name, self.at, None, None, fault="no reply")
            return self.station.advance(said)
        truth = SOLUTION_MS_CM if name in self.bottles else self._truth()
        truth = self.elsewhere.get(name, truth)
        shown = truth * self.gains.get(name, 1.0) * (1.0 + self.dice.gauss(0.0, 1.5e-4))
        warmth_C = WATER_C if name in self.bottles else self.warmth_C
        warmth = round(warmth_C + self.dice.gauss(0.0, 0.006), 2)
        values = (round(shown, 3), warmth)
        if name in self.last and name in self.stuck | self.stuck_cells:
            values = (self.last[name][0], self.last[name][1] if name in self.stuck else warmth)
        self.last[name] = values
        return self.station.advance(Sample("mix-1", name, self.at, *values))

    def _truth(self) -> float:
        if self.salinity < 0.01:
            return PURE_MS_CM
        return float(gsw.C_from_SP(self.salinity, self.warmth_C, 0.0))

    def _pass(self, seconds: float) -> None:
        self.t_s += seconds
        self.wall += timedelta(seconds=seconds)

    def send(self, verb: str, facts: Mapping[str, JSON], reservoir: str = "mix-1") -> Event:
        """Let the keeper ask; return the answer."""
        self.sent += 1
        command = Command(
            f"c-{self.sent}", self.at, "keeper", "cli", verb, reservoir, facts, self.sent
        )
        said = self.station.advance(command)
        self.entries += said
        self._pass(1.0)
        answer = said[0]
        assert isinstance(answer, Event)
        assert Kind.COMMAND is answer.kind
        return answer

    def bench(self, verb: str, probe: str, acts: int) -> None:
        """Take a probe out, do so many acts with it, and put it back where they are all."""
        self.send(f"calibrate.{verb}", {"probe": probe, "references": SOLUTION})
        for doing, minutes in ACTS[:acts]:
            self.send(f"calibrate.{doing}", {"probe": probe})
            if minutes and probe in self.out:
                self.bottles.add(probe)
                self.run(minutes)
                self.bottles.discard(probe)

    def put_back(self, probe: str) -> None:
        """Give up what is done with a probe, and put it back."""
        self.send("calibrate.abort", {"probe": probe})
        self.send("calibrate.confirm", {"probe": probe, "step": "return"})

    def restart(self, minutes: float, boot: str) -> None:
        """End the process, let minutes go by and begin another from what was kept."""
        state = restore(dump(self.station.state))
        assert state is not None
        self.station = Station(self.settings, weights(), state, records(self.entries))
        self._pass(minutes * 60.0)
        if boot:
            self.boot, self.t_s = boot, 12.0
        self.entries += self.station.resume(self.at, unexpected=not boot)

    def clock_moves(self, hours: float) -> None:
        """Set the wall clock on or back; the machine's own seconds go on."""
        self.wall += timedelta(hours=hours)


def without_probes(state: ReservoirState) -> str:
    """What is remembered of the water, without the probes that look at it."""
    return repr(replace(state, probes={}))
