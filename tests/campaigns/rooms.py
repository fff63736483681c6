"""A mixing corner in which time passes: simulated water, a station that watches it, and hands.

Everything runs in one process and as fast as it can.  What a keeper may know is what the station
says; the truth is kept apart, for whoever judges afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from daemon.entries import JSON, Command, Event, Input, Instant, Kind, Phase, Sample
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from simulators.instrument import Spoken
from simulators.stage import Action, Scenario, Stage, perform
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
RESERVOIR, PROBE = "mix-1", "ct-1"
PERIOD_S = 10.0
QUIET_PERIOD_S = 30.0
POUR_S = 120.0
LITRES_PER_S = 0.4
MIXING = (Phase.IDLE, Phase.BLANK, Phase.DISSOLVING)
LONGEST_MIXING_S = 4 * 3600.0


@dataclass(frozen=True, slots=True)
class Release:
    """Water that was released, and what was true of it.

    Attributes:
        batch: Its id.
        true: True practical salinity at that moment.
    """

    batch: str
    true: float


@dataclass
class Room:
    """One reservoir with its station.

    Attributes:
        stage: The water and the probe.
        settings: What a batch has to be.
        worth: Uncertainty of the probe, as the station has it.
        events: All that the station said, oldest first.
        inputs: All that the station was given, oldest first.
        releases: Each release with the truth.
        strayed: Worst distance from target of the true salinity while a batch was ready and
            nobody poured, by id.
    """

    stage: Stage
    settings: BatchSettings
    worth: ProbeUncertainty = field(default_factory=ProbeUncertainty)
    events: list[Event] = field(default_factory=list)
    inputs: list[Input] = field(default_factory=list)
    releases: list[Release] = field(default_factory=list)
    strayed: dict[str, float] = field(default_factory=dict)
    station: Station = field(init=False)

    def __post_init__(self) -> None:
        """Start the station."""
        self.station = Station({RESERVOIR: self.reservoir_settings()}, weights())

    def reservoir_settings(self) -> ReservoirSettings:
        """The reservoir as it is configured."""
        return ReservoirSettings(RESERVOIR, batch=self.settings, probes={PROBE: self.worth})

    # --- what the keeper can see ---------------------------------------------------------------

    @property
    def phase(self) -> Phase:
        """Where the station says that the batch stands."""
        known = self.station.state.reservoirs.get(RESERVOIR)
        return Phase.IDLE if known is None else known.batch.phase

    @property
    def batch(self) -> str:
        """Id of the present batch; empty when none."""
        return str(snapshot_in(self.station, RESERVOIR, self.now())["batch"] or "")

    @property
    def salinity(self) -> float:
        """What the station reads; after a lost reply the keeper looks again."""
        assert self.until(lambda: self._read() is not None, 10 * PERIOD_S)
        return self._read() or 0.0

    def _read(self) -> float | None:
        value = snapshot_in(self.station, RESERVOIR, self.now())["salinity"]
        return value if isinstance(value, float) else None

    def advised(self, what: str) -> float:
        """Grams (`advice_salt_g`) or litres (`advice_water_l`) to add; 0 for none."""
        value = snapshot_in(self.station, RESERVOIR, self.now())[what]
        return float(value) if isinstance(value, int | float) else 0.0

    def alarms(self) -> list[str]:
        """Names of the alarms that stand."""
        names = snapshot_in(self.station, RESERVOIR, self.now())["alarms"]
        assert isinstance(names, list)
        return [str(name) for name in names]

    # --- time ----------------------------------------------------------------------------------

    def now(self) -> Instant:
        """The present moment."""
        return Instant(START + timedelta(seconds=self.stage.t_s), self.stage.t_s, "boot-1")

    def wait(self, seconds: float, period_s: float = PERIOD_S) -> None:
        """Let time pass in whole periods, the probe speaking all the while."""
        for _ in range(math.ceil(seconds / period_s)):
            self._sample(period_s)

    def until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Let time pass until a condition holds; return whether it came to hold."""
        end_s = self.stage.t_s + longest_s
        while not done():
            if self.stage.t_s >= end_s:
                return False
            self._sample(PERIOD_S)
        return True

    def night(self, until_h: float) -> None:
        """Let quiet time pass until so many hours after the start, the probe speaking less."""
        self.wait(until_h * 3600.0 - self.stage.t_s, QUIET_PERIOD_S)

    def settle(self) -> None:
        """Wait for a verdict, or for as long as anyone would."""
        self.until(lambda: self.phase not in MIXING, LONGEST_MIXING_S)

    def _sample(self, after_s: float) -> None:
        self.stage.advance(self.stage.t_s + after_s)
        self._give(sample_of(PROBE, self.now(), self.stage.speak()))
        if self.phase is Phase.READY and self.stage.reservoir.quiet():
            away = abs(self.stage.reservoir.true_salinity() - self.settings.target_ppt)
            self.strayed[self.batch] = max(away, self.strayed.get(self.batch, 0.0))

    def _give(self, item: Input) -> list[Event]:
        self.inputs.append(item)
        said = [entry for entry in self.station.advance(item) if isinstance(entry, Event)]
        self.events += said
        true = self.stage.reservoir.true_salinity()
        self.releases += [
            Release(event.batch, true)
            for event in said
            if event.kind is Kind.PHASE and facts_in(event)["to"] == Phase.READY
        ]
        return said

    # --- hands ---------------------------------------------------------------------------------

    def fill(self, litres: float, impurity_uS_cm: float = 4.0, rate: float = LITRES_PER_S) -> None:
        """Let purified water run in at so many litres per second, and wait for it."""
        over_s = PERIOD_S * math.ceil(litres / rate / PERIOD_S)
        self.act("fill", litres=litres, impurity_uS_cm=impurity_uS_cm, over_s=over_s)
        self.wait(over_s)

    def pour(self, grams: float) -> None:
        """Pour salt."""
        self.act("pour", grams=grams, over_s=POUR_S)
        self.wait(POUR_S)

    def draw_down_to(self, litres: float, rate: float = LITRES_PER_S) -> None:
        """Draw water off at so many litres per second until so much is left."""
        drawn_l = self.stage.reservoir.volume_l() - litres
        if drawn_l > 0.0:
            over_s = PERIOD_S * math.ceil(drawn_l / rate / PERIOD_S)
            self.act("draw", litres=drawn_l, over_s=over_s)
            self.wait(over_s)

    def lid(self, evaporation_g_h: float) -> None:
        """Change what goes into the air."""
        self.act("lid", evaporation_g_h=evaporation_g_h)

    def say(self, verb: str, /, **facts: JSON) -> str:
        """Command the station; return its answer."""
        reservoir = "" if verb.startswith("lot.") else RESERVOIR
        number = 1 + self.station.state.commands_taken
        told = self._give(
            Command(f"c-{number}", self.now(), "keeper", "cli", verb, reservoir, facts, number)
        )[0]
        assert facts_in(told)["ok"], facts_in(told)["answer"]
        return str(facts_in(told)["answer"])

    def put_right(self, clumsy: Callable[[], float] = lambda: 1.0) -> bool:
        """Do what the standing advice says, if it says grams or litres; wait for the verdict.

        Args:
            clumsy: Factor on what is weighed, drawn for each weighing.
        """
        salt_g, water_l = self.advised("advice_salt_g"), self.advised("advice_water_l")
        if salt_g <= 0.0 and water_l <= 0.0:
            return False
        if water_l > 0.0:
            self.fill(water_l)
        else:
            self.pour(salt_g * clumsy())
        self.until(lambda: self.phase in MIXING, 1800.0)
        self.settle()
        return True

    def act(self, verb: str, **facts: float) -> None:
        """Do something to the stage, as the simulators name it."""
        perform(self.stage, Action(self.stage.t_s, verb, facts))


def sample_of(probe: str, at: Instant, spoken: Spoken) -> Sample:
    """What a driver would make of a reply."""
    fault = "" if spoken.conductivity_mS_cm is not None else "no reply"
    return Sample(
        RESERVOIR, probe, at, spoken.conductivity_mS_cm, spoken.temperature_C, fault=fault
    )


def a_room(story: Scenario, settings: BatchSettings, worth: ProbeUncertainty, seed: int) -> Room:
    """A room at its first moment."""
    return Room(Stage.setting(story, seed), settings, worth)
