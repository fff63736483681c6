"""One scenario being performed: time passes, things are done, the probe speaks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from math import exp

from simulators.instrument import Character, Instrument, Spoken, Trouble
from simulators.reservoir import Reservoir
from simulators.vessel import SaltMix, Vessel

FOLLOW_S = 1.0
QUIET_FOLLOW_S = 10.0
FORGOTTEN = 20.0
"""Time constants after which nothing is left of a film of water."""


class ScenarioError(ValueError):
    """A scenario asks for something that cannot be; the text says what."""


@dataclass(frozen=True, slots=True)
class Action:
    """Something done at a time.

    Attributes:
        at_s: Simulated seconds from the start.
        verb: One of `VERBS`.
        facts: Its numbers, by name, with the unit in the name.
    """

    at_s: float
    verb: str
    facts: Mapping[str, float] = field(default_factory=dict)

    def __str__(self) -> str:
        """Say the action with its simulated time, on one line."""
        facts = "".join(f" {name}={_plain(value)}" for name, value in self.facts.items())
        return f"{clock_face(self.at_s)} {self.verb}{facts}"


@dataclass(frozen=True, slots=True)
class Scenario:
    """A story as plain data.

    Attributes:
        name: How it is called for.
        tells: What happens, in a sentence.
        expects: What a good observer concludes, in words.
        actions: What is done, in order of time.
        lasts_s: How long it is worth watching, s.
        starts_with_l: Water in the vessel at the start, L.
        starts_at: Practical salinity of that water.
        temperature_C: Its temperature, °C.
        pump: Whether the pump runs at the start.
        lands_at: True salinity at the end, evaporation aside.
        mix: The salt that is poured.
        vessel: Where it happens.
        character: What the probe is like.
        milestones: What a good observer reports on the way, in this order: phases and alarms
            by their names.
        expected_by_s: By when the last of them has been reported, s, with time to spare; None
            for `lasts_s`.
    """

    name: str
    tells: str
    expects: str
    actions: tuple[Action, ...]
    lasts_s: float
    lands_at: float
    starts_with_l: float = 180.0
    starts_at: float = 0.002
    temperature_C: float = 24.0
    pump: bool = True
    mix: SaltMix = field(default_factory=SaltMix)
    vessel: Vessel = field(default_factory=Vessel)
    character: Character = field(default_factory=Character)
    milestones: tuple[str, ...] = ()
    expected_by_s: float | None = None

    @property
    def plays_s(self) -> float:
        """How long a demonstration plays it, s: until all that it shows has been shown."""
        return self.lasts_s if self.expected_by_s is None else self.expected_by_s


@dataclass(frozen=True, slots=True)
class Film:
    """The water that clings to a probe in air, and the warmth that it brought along.

    Attributes:
        since_s: When the probe came into the air, simulated seconds.
        conductivity_mS_cm: Of the water that it came from.
        temperature_C: Of that water.
    """

    since_s: float
    conductivity_mS_cm: float
    temperature_C: float

    def around(self, t_s: float, air_C: float, character: Character) -> tuple[float, float]:
        """Return what the cell and the thermometer feel in air of this temperature, mS/cm, °C."""
        left = character.film_share * _left(t_s - self.since_s, character.film_s)
        warm = _left(t_s - self.since_s, character.air_lag_s)
        return self.conductivity_mS_cm * left, air_C + (self.temperature_C - air_C) * warm


def _left(after_s: float, time_s: float) -> float:
    """Return the share that is left of what fades with this time constant; 0 for none."""
    faded = time_s <= 0.0 or after_s > FORGOTTEN * time_s
    return 0.0 if faded else exp(-after_s / time_s)


@dataclass(slots=True)
class Stage:
    """A scenario, how far it has come, and where the probe is.

    Attributes:
        scenario: The story.
        reservoir: Its water.
        instrument: Its probe.
        t_s: Simulated seconds since the start.
        plugged: Whether the probe's cable is in.
        bottle: What the probe stands in instead of the vessel, as mS/cm and °C;
            None while it is in the vessel.
        film: What clings to the probe while it is in air, lifted or left by a falling level.
        done: Actions done so far.
    """

    scenario: Scenario
    reservoir: Reservoir
    instrument: Instrument
    t_s: float = 0.0
    plugged: bool = True
    bottle: tuple[float, float] | None = None
    film: Film | None = None
    done: list[Action] = field(default_factory=list)

    @classmethod
    def setting(cls, scenario: Scenario, seed: int) -> Stage:
        """Return the stage of `scenario` at its first moment."""
        reservoir = Reservoir.holding(
            scenario.starts_with_l,
            salinity=scenario.starts_at,
            temperature_C=scenario.temperature_C,
            vessel=scenario.vessel,
        )
        reservoir.pump = scenario.pump
        made = cls(scenario, reservoir, Instrument(scenario.character, seed))
        made._follow(0.0)
        return made

    def in_water(self) -> bool:
        """Say whether the probe is in the water of the vessel."""
        return self.bottle is None and not self._uncovered()

    def next_action_s(self) -> float | None:
        """Return when the next thing is done; None when all is."""
        left = self.scenario.actions[len(self.done) :]
        return left[0].at_s if left else None

    def advance(self, until_s: float) -> None:
        """Let time pass until `until_s`, doing each action at its own moment.

        Raises:
            ScenarioError: An action cannot be done; what was done before stands.
        """
        while (at_s := self.next_action_s()) is not None and at_s <= until_s:
            self._pass(at_s)
            action = self.scenario.actions[len(self.done)]
            perform(self, action)
            self.done.append(action)
        self._pass(until_s)

    def speak(self) -> Spoken:
        """Return what the probe says now; nothing when it is unplugged."""
        return self.instrument.speak(self.t_s) if self.plugged else Spoken(b"")

    def _pass(self, until_s: float) -> None:
        while self.t_s < until_s:
            longest_s = QUIET_FOLLOW_S if self.reservoir.quiet() else FOLLOW_S
            step_s = min(longest_s, until_s - self.t_s)
            self.reservoir.advance(step_s)
            self._follow(step_s)
            # The last step lands on `until_s` itself, not beside it by a rounding.
            self.t_s = until_s if self.t_s + longest_s >= until_s else self.t_s + step_s

    def _follow(self, step_s: float) -> None:
        self.instrument.follow(step_s, *self._around(self.t_s + step_s))

    def _around(self, t_s: float) -> tuple[float, float]:
        """Return what is around the probe, mS/cm and °C."""
        water = self.reservoir
        inside = water.conductivity_at_probe(), water.temperature_C
        if self.bottle is None and not self._uncovered():
            self.film = None
            return inside
        conductivity, temperature_C = self.bottle or (0.0, water.vessel.room_C)
        if conductivity > 0.0:
            self.film = None
            return conductivity, temperature_C
        if self.film is None:
            self.film = Film(self.t_s, *(self.instrument.felt() or inside))
        return self.film.around(t_s, temperature_C, self.instrument.character)

    def _uncovered(self) -> bool:
        """Say whether the level has fallen below the probe."""
        lowest_l = self.reservoir.vessel.probe_at_l
        return lowest_l > 0.0 and self.reservoir.volume_l() < lowest_l


def _fill(stage: Stage, facts: Mapping[str, float]) -> None:
    stage.reservoir.fill(
        facts["litres"],
        impurity_uS_cm=facts.get("impurity_uS_cm", 0.0),
        temperature_C=facts.get("temperature_C"),
        over_s=facts.get("over_s", 1.0),
    )


def _pour(stage: Stage, facts: Mapping[str, float]) -> None:
    stage.reservoir.pour(facts["grams"], stage.scenario.mix, over_s=facts.get("over_s", 1.0))


def _draw(stage: Stage, facts: Mapping[str, float]) -> None:
    stage.reservoir.draw(facts["litres"], over_s=facts.get("over_s", 1.0))


def _pump(stage: Stage, facts: Mapping[str, float]) -> None:
    stage.reservoir.pump = bool(facts["on"])


def _lid(stage: Stage, facts: Mapping[str, float]) -> None:
    """Change what goes into the air, as when the lid is left off."""
    water = stage.reservoir
    water.vessel = replace(water.vessel, evaporation_g_h=facts["evaporation_g_h"])


def _trouble(stage: Stage, facts: Mapping[str, float]) -> None:
    known = {f.name for f in fields(Trouble)}
    for name, value in facts.items():
        if name not in known:
            msg = f"no trouble is called {name!r}; there are {', '.join(sorted(known))}"
            raise ScenarioError(msg)
        setattr(stage.instrument.trouble, name, value)


def _plug(stage: Stage, facts: Mapping[str, float]) -> None:
    stage.plugged = bool(facts["in"])


def _dip(stage: Stage, facts: Mapping[str, float]) -> None:
    """Take the probe out of the vessel and stand it in a bottle, or hang it in air."""
    conductivity = facts["conductivity_mS_cm"]
    if conductivity < 0.0:
        raise ScenarioError(f"nothing conducts {conductivity:g} mS/cm; 0 is air")
    stage.bottle = (conductivity, facts["temperature_C"])


def _clean(stage: Stage, _: Mapping[str, float]) -> None:
    """Clean the cell: what fouling or drift did to it is gone."""
    stage.instrument.clean()


def _back(stage: Stage, _: Mapping[str, float]) -> None:
    """Put the probe back into the vessel."""
    stage.bottle = None


VERBS: Mapping[str, Callable[[Stage, Mapping[str, float]], None]] = {
    "fill": _fill,
    "pour": _pour,
    "draw": _draw,
    "pump": _pump,
    "lid": _lid,
    "trouble": _trouble,
    "plug": _plug,
    "dip": _dip,
    "back": _back,
    "clean": _clean,
}


def perform(stage: Stage, action: Action) -> None:
    """Do one action to the stage.

    Raises:
        ScenarioError: The verb is unknown, a number is missing, or the vessel refuses.
    """
    if action.verb not in VERBS:
        msg = f"{action}: no such verb; there are {', '.join(VERBS)}"
        raise ScenarioError(msg)
    try:
        VERBS[action.verb](stage, action.facts)
    except KeyError as exc:
        msg = f"{action}: {exc.args[0]} is missing"
        raise ScenarioError(msg) from exc
    except ValueError as exc:
        msg = f"{action}: {exc}"
        raise ScenarioError(msg) from exc


def clock_face(t_s: float) -> str:
    """Return simulated seconds as hours, minutes and seconds."""
    minutes, seconds = divmod(round(t_s), 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"


def _plain(value: float) -> str:
    return ("yes" if value else "no") if isinstance(value, bool) else f"{value:.8g}"
