"""Mistakes of a keeper against a sound history: none may decide what is in force.

Every error but the mistake lies within its limits, so that what is wrong is the mistake's doing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

from tests.campaigns.audit.bench import Bench, Ending, Stated, Thermometer
from tests.campaigns.audit.chance import Dice, Shape, dice
from tests.campaigns.audit.probe import Probe
from tests.campaigns.audit.setups import NAMES, ONE, TWO, Setup, setup
from tests.campaigns.audit.waters import Bottle, Salt, Scaled, Seawater, Solution, bottle
from tests.campaigns.audit.workers import each

WRONG_PPT = 0.3
"""Error at practical salinity 33 beyond which a calibration is bad."""
WATER_C = 25.0
"""Where compensation changes nothing, so that the calibration alone is judged."""
AGE_DAYS = (10, 90)
WEEK_DAYS = 7
SHARE = (0.01, 0.10)
BUBBLE = (0.01, 0.06)
FILM_MS_CM = (0.1, 0.6)
WEAK, WEAK_SHARE = Salt(12.88), 0.5
COLD_C = (18.0, 22.0)
THERMOMETER_OFF_C = (0.5, 1.0)
CLEANED = (0.03, 0.06)
"""Share by which the values of a probe rise when a film is taken off it."""
NEIGHBOURS: tuple[Solution, ...] = (
    Salt(47.2, 1.88, 0.004),
    Salt(50.0, 1.87, 0.004),
    Salt(55.6, 1.86, 0.0042),
    Salt(58.7, 1.85, 0.0042),
    Seawater(35.0),
    Seawater(38.0),
)
"""Solutions that one bottle may be taken for another of."""


class Mistake(StrEnum):
    """What goes wrong."""

    DILUTED = "one solution, diluted"
    CONCENTRATED = "one solution, concentrated"
    DILUTED_OF_TWO = "one of two solutions diluted"
    CONCENTRATED_OF_TWO = "one of two solutions concentrated"
    OTHER_BOTTLE = "another bottle's value"
    BUBBLE = "static bubble"
    BUBBLE_IN_TWO = "static bubble in both solutions"
    WET_AIR = "wet cell in air"
    COMPENSATING = "instrument compensates"
    THERMOMETER = "reference thermometer off"
    EVAPORATED = "bottle of the calibration in force, evaporated"
    SAME_LOT = "diluted, and checked in the same lot"


@dataclass(frozen=True)
class History:
    """A bench with a sound calibration in force, and how that was made."""

    bench: Bench
    setup: Setup


@dataclass(frozen=True)
class Attempt:
    """One new calibration against a history.

    Attributes:
        what: Of the mistake, or "sound".
        size: Of the mistake, in its own unit.
        outcome: Of the new calibration.
        before: What was stated of the water just before.
        after: The same with the same values right after.
        later: The same after a check in a good bottle of another lot.
        new_id: Of the new calibration; empty where nothing was saved.
        warnings: All that was said against it.
    """

    what: str
    size: float
    outcome: str
    before: Stated
    after: Stated
    later: Stated
    new_id: str
    warnings: tuple[str, ...]

    def bad(self, stated: Stated) -> bool:
        """Whether the new calibration is in force, and wrong by more than it states."""
        wrong = abs(stated.error) > WRONG_PPT and not stated.inside
        return self.in_force(stated) and wrong

    def in_force(self, stated: Stated) -> bool:
        """Whether the new calibration is in force."""
        return bool(self.new_id) and stated.calibration == self.new_id

    @property
    def en(self) -> float:
        """How far what is stated moved, over the expanded uncertainty of both."""
        both = math.hypot(self.before.u, self.after.u)
        return abs(self.after.salinity - self.before.salinity) / (2.0 * both)


def history(chance: Dice) -> History:
    """Return a bench whose probe has a sound calibration, 10 to 90 days old."""
    while True:
        drawn = setup(chance, chance.random.choice(NAMES))
        bench = Bench(Probe(chance), chance)
        bench.calibrate(drawn.bottles, drawn.thermometer)
        if bench.look(WATER_C).calibration:
            break
    age = chance.random.randint(*AGE_DAYS)
    checked = chance.random.choice((None, None, drawn.bottles[0], drawn.other))
    for day in range(WEEK_DAYS, age, WEEK_DAYS):
        if checked is not None:
            bench.pass_days(day - bench.probe.days)
            bench.check(checked)
    bench.pass_days(age - bench.probe.days)
    return History(bench, drawn)


@dataclass
class Plan:
    """What is about to be done, before a mistake is made in it."""

    bench: Bench
    bottles: list[Bottle]
    thermometer: Thermometer | None
    old: Sequence[Bottle]

    def spoil(self, factor: float) -> None:
        """Let the first bottle conduct some share more or less."""
        first = self.bottles[0]
        self.bottles[0] = replace(first, content=Scaled(first.content, factor))


def _share(chance: Dice) -> float:
    return chance.random.uniform(*SHARE)


def _diluted(plan: Plan, chance: Dice) -> float:
    share = _share(chance)
    plan.spoil(1.0 - share)
    return -share


def _concentrated(plan: Plan, chance: Dice) -> float:
    share = _share(chance)
    plan.spoil(1.0 + share)
    return share


def _other_bottle(plan: Plan, chance: Dice) -> float:
    label, content = chance.random.sample(NEIGHBOURS, 2)
    plan.bottles[0] = replace(plan.bottles[0], label=label, content=content)
    return content.conductivity(25.0) / label.conductivity(25.0) - 1.0


def _bubble(plan: Plan, chance: Dice) -> float:
    plan.bench.bubble = chance.random.uniform(*BUBBLE)
    return -plan.bench.bubble


def _wet_air(plan: Plan, chance: Dice) -> float:
    plan.bench.film_mS_cm = chance.random.uniform(*FILM_MS_CM)
    if chance.random.random() < WEAK_SHARE:
        # Far from the water, a wrong zero tells most.
        plan.bottles[0] = bottle(chance, plan.bottles[0].lot, WEAK, 0.5)
    return plan.bench.film_mS_cm


def _compensating(plan: Plan, chance: Dice) -> float:
    plan.bench.probe.compensates = True
    plan.bench.bath_C = COLD_C
    return COLD_C[0]


def _thermometer(plan: Plan, chance: Dice) -> float:
    off = chance.random.uniform(*THERMOMETER_OFF_C) * chance.random.choice((-1.0, 1.0))
    plan.thermometer = Thermometer(0.1, off)
    return off


def _evaporated(plan: Plan, chance: Dice) -> float:
    plan.bottles = [plan.old[0]]
    return _concentrated(plan, chance)


MAKE: dict[Mistake, tuple[Callable[[Plan, Dice], float], str]] = {
    Mistake.DILUTED: (_diluted, ONE),
    Mistake.CONCENTRATED: (_concentrated, ONE),
    Mistake.DILUTED_OF_TWO: (_diluted, TWO),
    Mistake.CONCENTRATED_OF_TWO: (_concentrated, TWO),
    Mistake.OTHER_BOTTLE: (_other_bottle, ONE),
    Mistake.BUBBLE: (_bubble, ONE),
    Mistake.BUBBLE_IN_TWO: (_bubble, TWO),
    Mistake.WET_AIR: (_wet_air, ONE),
    Mistake.COMPENSATING: (_compensating, ONE),
    Mistake.THERMOMETER: (_thermometer, ONE),
    Mistake.EVAPORATED: (_evaporated, ONE),
    Mistake.SAME_LOT: (_diluted, ONE),
}
"""How each mistake is made, and with what set-up; each returns its size."""


def _attempt(known: History, chance: Dice, what: Mistake | None, name: str) -> Attempt:
    bench, fresh = known.bench, setup(chance, name, "N")
    plan = Plan(bench, [*fresh.bottles], fresh.thermometer, known.setup.bottles)
    shown = bench.exact(WATER_C)
    before = bench.look_at(shown)
    size = 0.0 if what is None else MAKE[what][0](plan, chance)
    ended = bench.calibrate(plan.bottles, plan.thermometer)
    if what is Mistake.SAME_LOT:
        bench.pass_days(1)
        bench.check(plan.bottles[0])
    after = bench.look_at(shown)
    _put_right(bench)
    later = _checked(bench, fresh.other)
    name = "sound" if what is None else str(what)
    return Attempt(name, size, ended.outcome, before, after, later, ended.id, ended.warnings)


def _put_right(bench: Bench) -> None:
    bench.bubble = bench.film_mS_cm = 0.0
    if bench.probe.compensates:
        bench.probe.compensates, bench.bath_C = False, (20.0, 26.0)


def _checked(bench: Bench, good: Bottle) -> Stated:
    """Check in a good bottle a day later; return what is stated of the water then."""
    bench.pass_days(1)
    bench.check(good)
    return bench.look_at(bench.exact(WATER_C))


def mistake(seed: int, number: int) -> Attempt:
    """Make one mistake against a sound history."""
    chance = dice("mistake", seed, number, Shape.UNIFORM)
    what = [*Mistake][number % len(Mistake)]
    return _attempt(history(chance), chance, what, MAKE[what][1])


def sound(seed: int, number: int) -> Attempt:
    """Make no mistake against a sound history."""
    chance = dice("sound", seed, number, Shape.UNIFORM)
    return _attempt(history(chance), chance, None, chance.random.choice(NAMES))


def first(seed: int, number: int) -> tuple[float, Ending, Stated]:
    """Calibrate a probe for the first time, in one wrong solution: nothing can tell."""
    chance = dice("first", seed, number, Shape.UNIFORM)
    bench, drawn = Bench(Probe(chance), chance), setup(chance, ONE)
    plan = Plan(bench, [*drawn.bottles], drawn.thermometer, ())
    size = chance.random.choice((_diluted, _concentrated))(plan, chance)
    ended = bench.calibrate(plan.bottles, plan.thermometer)
    return size, ended, bench.look_at(bench.exact(WATER_C))


@dataclass(frozen=True)
class Change:
    """A probe that truly changed, and a right calibration of it.

    Attributes:
        outcome: Of the calibration.
        id: Of it.
        at_once: Calibration in force right after it.
        checked: Calibration in force after a check in another lot.
        repaired: Calibration in force after the repair was named instead.
        agrees: Whether the other lot agrees with the new calibration, once that is in force.
        contradicts: Whether it contradicts the one that was in force.
    """

    outcome: str
    id: str
    at_once: str
    checked: str
    repaired: str
    agrees: bool
    contradicts: bool


def change(seed: int, number: int) -> Change:
    """Clean a probe, calibrate it rightly, and check it in another lot."""
    chance = dice("change", seed, number, Shape.UNIFORM)
    known = history(chance)
    bench, fresh = known.bench, setup(chance, chance.random.choice(NAMES), "N")
    bench.probe.fouling = -chance.random.uniform(*CLEANED)
    ended = bench.calibrate(fresh.bottles, fresh.thermometer)
    at_once, named = bench.look(WATER_C), bench.twin()
    named.settle("cleaned")
    repaired = named.look(WATER_C)
    for each_bench in (bench, named):
        each_bench.pass_days(1)
    seen, under_new = bench.check(fresh.other), named.check(fresh.other)
    return Change(
        outcome=ended.outcome,
        id=ended.id,
        at_once=at_once.calibration,
        checked=bench.look(WATER_C).calibration,
        repaired=repaired.calibration,
        agrees=under_new.outcome == "agrees",
        contradicts=seen.outcome == "contradicts",
    )


def run(count: int, seed: int, workers: int = 1) -> list[Attempt]:
    """Make many mistakes."""
    return each(partial(mistake, seed), count, workers)


def run_sound(count: int, seed: int, workers: int = 1) -> list[Attempt]:
    """Make no mistake, many times."""
    return each(partial(sound, seed), count, workers)
