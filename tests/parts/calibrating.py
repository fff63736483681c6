"""Parts of the tests of calibrating with the station: a probe that is off, and a person at it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from random import Random

import gsw

from calibration.record import Record
from calibration.serialisation import from_plain
from daemon.entries import JSON, Command, Entry, Event, Instant, Kind, Reading, Sample
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH, MORNING, of
from tests.parts.weights import weights

WATER_C = 24.0
SOLUTION_MS_CM = 52.0
SOLUTION = "table name='standard 53 mS/cm' values=20:48.2,24:52.0,28:55.9 lot=A17 tolerance=0.5"
"""What a bottle says of itself; 52.0 mS/cm at the 24 °C of the room."""


@dataclass
class Corner:
    """A station, a probe whose cell is off, and a person who takes it out and back.

    Attributes:
        gain: What the probe makes of conductivity.
        salinity: Of the water in the vessel.
        station: The station.
        entries: Of the station, so far.
    """

    gain: float = 0.97
    salinity: float = 34.0
    probes: Mapping[str, ProbeUncertainty] = field(
        default_factory=lambda: {"ct-1": ProbeUncertainty(0.5, 0.1)}
    )
    wall: datetime = MORNING
    t_s: float = 1000.0
    period_s: float = 5.0
    probe: str = "ct-1"
    entries: list[Entry] = field(default_factory=list)
    sent: int = 0
    dice: Random = field(default_factory=lambda: Random(5))
    station: Station = field(init=False)

    def __post_init__(self) -> None:
        """Begin with a new station."""
        self.station = Station(self.settings, weights())

    @property
    def settings(self) -> dict[str, ReservoirSettings]:
        """Of the one reservoir."""
        return {"mix-1": ReservoirSettings("mix-1", BATCH, probes=self.probes)}

    @property
    def at(self) -> Instant:
        """Now."""
        return Instant(self.wall, self.t_s, "boot-1")

    def feed(self, truth_mS_cm: float | None, minutes: float) -> list[Entry]:
        """The probe is in something of this conductivity, or silent, for so long."""
        followed: list[Entry] = []
        for _ in range(round(minutes * 60.0 / self.period_s)):
            fault, shown, warmth = "no reply", None, None
            if truth_mS_cm is not None:
                noise = self.dice.gauss(0.0, 1.5e-4)
                fault, shown = "", round(truth_mS_cm * self.gain * (1.0 + noise), 3)
                warmth = round(WATER_C + self.dice.gauss(0.0, 0.006), 2)
            sample = Sample("mix-1", self.probe, self.at, shown, warmth, fault=fault)
            followed += self.station.advance(sample)
            self.pass_s(self.period_s)
        self.entries += followed
        return followed

    def in_water(self, minutes: float = 10.0) -> list[Entry]:
        """The probe is in the vessel."""
        pure = 0.004
        truth = float(gsw.C_from_SP(self.salinity, WATER_C, 0.0)) if self.salinity else pure
        return self.feed(truth, minutes)

    def batch(self) -> None:
        """Three minutes of purified water and then a batch, to its end."""
        wanted, self.salinity = self.salinity, 0.0
        self.in_water(3)
        self.dissolve(wanted, 45)

    def dissolve(self, salinity: float, minutes: float) -> None:
        """Salt goes into solution, with a time constant of a minute and a half."""
        start, steps = self.salinity, round(minutes * 6.0)
        for step in range(1, steps + 1):
            self.salinity = salinity + (start - salinity) * 2.718281828 ** (-step / 9.0)
            self.in_water(1.0 / 6.0)
        self.salinity = salinity

    def pass_s(self, seconds: float) -> None:
        """Let time pass."""
        self.t_s += seconds
        self.wall += timedelta(seconds=seconds)

    def send(self, verb: str, **facts: JSON) -> list[Entry]:
        """Send a command of the night shift; return the entries that follow, the answer first."""
        self.sent += 1
        command = Command(
            f"c-{self.sent}", self.at, "night shift", "cli", verb, "mix-1", facts, self.sent
        )
        followed = self.station.advance(command)
        self.entries += followed
        self.pass_s(1.0)
        return followed

    def answer(self, verb: str, **facts: JSON) -> str:
        """Send a command and return the answer; a rejection begins with a "-"."""
        (answered,) = of(self.send(verb, **facts), Kind.COMMAND)
        return ("" if facts_in(answered)["ok"] else "- ") + str(facts_in(answered)["answer"])

    def begin(
        self, verb: str = "calibrate.start", references: str = SOLUTION, **facts: JSON
    ) -> None:
        """Take the probe out, and rinse, immerse and stir it."""
        followed = self.answer(verb, probe=self.probe, references=references, **facts)
        assert not followed.startswith("-"), followed
        self.immersed()

    def immersed(self) -> None:
        """Confirm that it was rinsed, immersed and stirred."""
        for step in ("rinse", "immerse", "stir"):
            assert not self.answer("calibrate.confirm", probe=self.probe, step=step).startswith("-")

    def calibrate(
        self,
        verb: str = "calibrate.start",
        repair: str = "",
        references: str = SOLUTION,
        strength: float = 1.0,
    ) -> Record:
        """Do the whole of it with one solution, put the probe back and return the record.

        Args:
            verb: The command.
            repair: What the person says was done to the probe before.
            references: The solution, with its words.
            strength: How much it conducts over what it states.
        """
        self.begin(verb, references, **({"repair": repair} if repair else {}))
        self.feed(SOLUTION_MS_CM * strength, 5)
        self.answer("calibrate.next", probe=self.probe)
        followed = self.send("calibrate.confirm", probe=self.probe, step="verdict")
        self.answer("calibrate.confirm", probe=self.probe, step="return")
        return records(followed)[0]

    def restarted(self) -> list[Entry]:
        """End the process and begin another from what was kept; return what it says first."""
        state = restore(dump(self.station.state))
        assert state is not None
        self.station = Station(self.settings, weights(), state, records(self.entries))
        followed = self.station.resume(self.at)
        self.entries += followed
        return followed

    @property
    def snapshot(self) -> dict[str, JSON]:
        """The snapshot of the reservoir now."""
        return snapshot_in(self.station, "mix-1", self.at)

    @property
    def alarms(self) -> set[str]:
        """Names of the alarms that are raised."""
        found = self.snapshot["alarms"]
        assert isinstance(found, list)
        return {str(name) for name in found}


def records(entries: list[Entry]) -> list[Record]:
    """The records that were kept, as the journal gives them back."""
    stored = [
        facts_in(each)["record"]
        for each in of(entries, Kind.CALIBRATION)
        if "record" in facts_in(each)
    ]
    return [from_plain(each) for each in stored]


def steps(entries: list[Entry]) -> list[str]:
    """The steps of the routine in order."""
    return [
        str(facts_in(each)["step"])
        for each in of(entries, Kind.CALIBRATION)
        if "step" in facts_in(each)
    ]


def readings(entries: list[Entry]) -> list[Reading]:
    """The readings among entries."""
    return [each for each in entries if isinstance(each, Reading)]


def of_the_batch(entries: list[Entry]) -> list[Event]:
    """The events that say something of the water."""
    about = (Kind.PHASE, Kind.STABILISED, Kind.DISTURBED, Kind.FORECAST, Kind.BATCH, Kind.ADVICE)
    return [event for kind in about for event in of(entries, kind)]


def later(corner: Corner, days: float) -> None:
    """Let days pass, in which nobody measures."""
    corner.wall += timedelta(days=days)
    corner.t_s += days * 86400.0


def without_values(reading: Reading) -> Reading:
    """A reading without what its calibration decides."""
    return replace(reading, salinity=0.0, salinity_u=0.0, calibration="")
