"""A bench where a careful person calibrates: commands in, readings and events out."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from daemon.entries import JSON, Command, Entry, Event, Instant, Kind, Reading, Sample
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.campaigns.audit.chance import Dice
from tests.campaigns.audit.probe import CELL_C, Place, Probe, Reply
from tests.campaigns.audit.waters import Bottle, Nothing, Seawater, Solution
from tests.parts.events import facts_in
from tests.parts.weights import weights

RESERVOIR, PROBE = "tank", "ct"
START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
PERIOD_S = 5.0
SALINITY = 33.0
"""Practical salinity of the water that is looked at."""
MOST_ACTS = 2000
"""More acts and samples than any routine takes."""
PATIENCE = 3
"""How often a person tries a point again, or waits for it, before giving up."""
AIR_MS_CM = 0.002
"""What the dry cell may conduct, ± mS/cm."""


@dataclass(frozen=True)
class Thermometer:
    """A reference thermometer.

    Attributes:
        tolerance_C: As stated, expanded, k = 2.
        off_C: What it shows too much.
    """

    tolerance_C: float
    off_C: float


@dataclass(frozen=True)
class Ending:
    """What came of a routine.

    Attributes:
        outcome: As saved: of a calibration its verdict, of a check "agrees" or "contradicts";
            "aborted" where nothing was saved.
        id: Of the record; empty where there is none.
        warnings: What was shown and gone on in spite of, and the reasons of the verdict.
    """

    outcome: str
    id: str
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Stated:
    """What the station states of the water.

    Attributes:
        salinity: Practical salinity.
        u: Standard uncertainty of it.
        calibration: Id of the calibration in force.
    """

    salinity: float
    u: float
    calibration: str

    @property
    def error(self) -> float:
        """How far it is from the truth."""
        return self.salinity - SALINITY

    @property
    def inside(self) -> bool:
        """Whether the truth lies within k = 2."""
        return abs(self.error) <= 2.0 * self.u


@dataclass
class Bench:
    """One probe, its station, and a person who follows what the routine says.

    Attributes:
        probe: The instrument.
        dice: Of baths and of missing replies.
        t_s: Seconds since the start.
        bubble: Share that a static bubble takes in solutions from now on.
        film_mS_cm: What the cell conducts in air.
        bath_C: Range of the temperature of the bottles.
    """

    probe: Probe
    dice: Dice
    t_s: float = 0.0
    bubble: float = 0.0
    film_mS_cm: float = 0.0
    bath_C: tuple[float, float] = (20.0, 26.0)
    station: Station = field(init=False)
    place: Place = field(init=False)
    commands: int = 0
    _step: str = ""
    _way: str = ""
    _saved: Ending | None = None
    _warnings: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start the station, with all defaults."""
        self.station = Station(
            {RESERVOIR: ReservoirSettings(RESERVOIR, probes=_worth())}, weights()
        )
        self.place = Place(Seawater(SALINITY), 24.0)

    def twin(self) -> Bench:
        """Return another bench that is the same so far."""
        return copy.deepcopy(self)

    # --- the water ---------------------------------------------------------------------------

    def pass_days(self, days: float) -> None:
        """Let days go by."""
        self.t_s += 86400.0 * days
        self.probe.days += days

    def look(self, temperature_C: float) -> Stated:
        """Look at the water through the probe."""
        self._to_water(temperature_C)
        for _ in range(MOST_ACTS):
            stated = _stated(self._sample())
            if stated is not None:
                return stated
        raise RuntimeError("the station never states a salinity")

    def look_at(self, shown: Reply) -> Stated:
        """Return what the station makes of given values, mS/cm and °C, without noise."""
        stated = _stated(self._give(shown))
        if stated is None:
            raise RuntimeError(f"the station states no salinity of {shown}")
        return stated

    def exact(self, temperature_C: float) -> tuple[float, float]:
        """Return what the probe comes to show in the water, without noise and rounding."""
        return self.probe.exact(Place(Seawater(SALINITY), temperature_C))

    def _to_water(self, temperature_C: float) -> None:
        self.place = Place(Seawater(SALINITY), temperature_C)
        self.probe.settle(self.place)

    # --- the routine -------------------------------------------------------------------------

    def calibrate(
        self, bottles: Sequence[Bottle], thermometer: Thermometer | None = None, **facts: JSON
    ) -> Ending:
        """Calibrate in air and in bottles; further facts go with the command."""
        references = "; ".join(["air", *(each.reference for each in bottles)])
        film = self.film_mS_cm + self.dice.within(AIR_MS_CM)
        contents: list[Solution] = [Nothing(film), *(each.content for each in bottles)]
        told = {"references": references, **facts}
        if thermometer is not None:
            told |= {
                "thermometer": "T-1",
                "thermometer_tolerance_C": thermometer.tolerance_C,
            }
        return self._run("calibrate.start", told, contents, thermometer)

    def settle(self, repair: str) -> bool:
        """Name a repair that explains what a calibration on hold found; say whether it is taken."""
        return self._ask("calibrate.settle", {"repair": repair}) == ""

    def check(self, bottle: Bottle) -> Ending:
        """Check in one bottle, adjusting nothing."""
        return self._run("calibrate.check", {"references": bottle.reference}, [bottle.content])

    def _run(
        self,
        verb: str,
        facts: dict[str, JSON],
        contents: Sequence[Solution],
        thermometer: Thermometer | None = None,
    ) -> Ending:
        self._saved, self._warnings = None, []
        self._act(verb, facts)
        taken = held = 0
        for _ in range(MOST_ACTS):
            if self._step == "return":
                break
            if self._step == "immerse":
                self.place = self._bath(contents[min(taken, len(contents) - 1)])
            if self._step == "settle":
                self._sample()
            elif self._step == "held":
                held += 1
                self._go_on(held)
            elif self._step == "thermometer" and thermometer is not None:
                self._act("calibrate.confirm", {"value_C": self._beside(thermometer)})
            elif self._step == "captured":
                taken += 1
                self._act("calibrate.next")
            else:
                self._act("calibrate.confirm")
        else:
            self._act("calibrate.abort")
        self._to_water(24.0)
        self._act("calibrate.confirm")
        return self._ending()

    def _ending(self) -> Ending:
        return self._saved or Ending("aborted", "", tuple(self._warnings))

    def _bath(self, solution: Solution) -> Place:
        if isinstance(solution, Nothing):
            return Place(solution, 23.0)
        cell = self.dice.within(CELL_C)
        return Place(solution, self.dice.random.uniform(*self.bath_C), cell, self.bubble)

    def _beside(self, thermometer: Thermometer) -> float:
        apart = self.dice.within(CELL_C)
        return round(self.place.temperature_C + apart + thermometer.off_C, 2)

    def _go_on(self, held: int) -> None:
        """Go on in spite of a warning where that is allowed; else try again, and give up."""
        if held > 2 * PATIENCE:
            self._act("calibrate.abort")
        elif self._way == "nothing" or (self._way == "wait" and held > PATIENCE):
            self._act("calibrate.retry")
        else:
            self._act("calibrate.confirm")

    # --- the station -------------------------------------------------------------------------

    def _now(self) -> Instant:
        return Instant(START + timedelta(seconds=self.t_s), self.t_s, "boot-1")

    def _sample(self) -> Reading:
        return self._give(self.probe.reply(self.place, PERIOD_S))

    def _give(self, reply: Reply) -> Reading:
        self.t_s += PERIOD_S
        conductivity, temperature = (None, None) if reply is None else reply
        fault = "no reply" if reply is None else ""
        sample = Sample(RESERVOIR, PROBE, self._now(), conductivity, temperature, fault=fault)
        entries = self._note_all(self.station.advance(sample))
        reading = entries[0]
        if not isinstance(reading, Reading):
            raise TypeError("a sample gave no reading")
        return reading

    def _act(self, verb: str, facts: dict[str, JSON] | None = None) -> None:
        refusal = self._ask(verb, facts or {})
        if refusal:
            raise RuntimeError(f"{verb} at step {self._step}: {refusal}")

    def _ask(self, verb: str, facts: dict[str, JSON]) -> str:
        """Give a command; return why it is refused, empty where it is carried out."""
        self.t_s += PERIOD_S
        self.commands += 1
        name, number = f"c-{self.commands}", self.commands
        command = Command(name, self._now(), "keeper", "cli", verb, RESERVOIR, facts, number)
        answer = self._note_all(self.station.advance(command))[0]
        if not isinstance(answer, Event):
            raise TypeError("a command gave no event")
        return "" if facts_in(answer)["ok"] else str(facts_in(answer)["answer"])

    def _note_all(self, entries: list[Entry]) -> list[Entry]:
        for entry in entries:
            if isinstance(entry, Event) and entry.kind is Kind.CALIBRATION:
                self._take(entry)
        return entries

    def _take(self, event: Event) -> None:
        facts = facts_in(event)
        if facts["what"] == "saved":
            agrees = "agrees" if facts.get("agrees") else "contradicts"
            outcome = str(facts.get("outcome", agrees))
            self._saved = Ending(outcome, str(facts["id"]), ())
        if facts["what"] == "say":
            self._step, self._way = str(facts["step"]), str(facts.get("on_confirm", ""))
            if self._step in ("held", "verdict"):
                self._warnings.append(str(facts["text"]))
        if self._saved is not None:
            self._saved = replace(self._saved, warnings=tuple(self._warnings))


def _worth() -> dict[str, ProbeUncertainty]:
    return {PROBE: ProbeUncertainty()}


def _stated(reading: Reading) -> Stated | None:
    if reading.salinity is None or reading.salinity_u is None:
        return None
    return Stated(reading.salinity, reading.salinity_u, reading.calibration)
