"""Does the stated interval hold the truth: fresh, aged, with checks and without.

Each probe is calibrated once.  Then its bench goes on in three ways: without any check, with
weekly checks in a solution of the calibration, and with weekly checks in one of another lot.
Water of practical salinity 33 is looked at right after the calibration, after 30 and 90 days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from statistics import median

from tests.campaigns.audit.bench import Bench, Stated
from tests.campaigns.audit.chance import Shape, dice
from tests.campaigns.audit.probe import Probe
from tests.campaigns.audit.report import Report, share
from tests.campaigns.audit.setups import NAMES, ONE, TWO, TWO_BETTER, Setup, setup
from tests.campaigns.audit.waters import Bottle
from tests.campaigns.audit.workers import each

LOWEST, HIGHEST = 0.93, 0.98
"""Of the k = 2 intervals that hold the truth."""
AGES_DAYS = (30, 90)
WEEK_DAYS = 7
WATER_C = (20.0, 28.0)
SAME_U = 1e-9
"""Relative difference of two uncertainties that is none, but rounding."""
FOULING = (0.03, 0.05)
"""Share by which a film lowers the values of a probe whose check must contradict."""
NO_CHECKS, OWN_LOT, OTHER_LOT = "no checks", "checks, own lot", "checks, other lot"
WAYS = (NO_CHECKS, OWN_LOT, OTHER_LOT)
FRESH = "fresh"


@dataclass(frozen=True)
class Check:
    """What a check did to the uncertainty of the same water.

    Attributes:
        agrees: Whether it agreed.
        before: Standard uncertainty just before, practical salinity.
        after: The same right after.
    """

    agrees: bool
    before: float
    after: float


@dataclass(frozen=True)
class Case:
    """One calibration and what followed.

    Attributes:
        name: Of the set-up.
        outcome: Of the calibration.
        looks: At the water, by age and way; empty where nothing came into force.
        checks: All of all ways, and one of the same probe with a film on it.
    """

    name: str
    outcome: str
    looks: dict[str, Stated]
    checks: tuple[Check, ...]


def case(seed: int, shape: Shape, ways: Sequence[str], number: int) -> Case:
    """Calibrate one probe and follow it for 90 days."""
    chance = dice("calibration", seed, number, shape)
    name = ONE if number % 2 == 0 else (TWO, TWO_BETTER)[number // 2 % 2]
    bench, drawn = Bench(Probe(chance), chance), setup(chance, name)
    outcome = bench.calibrate(drawn.bottles, drawn.thermometer).outcome
    fresh = bench.look(chance.random.uniform(*WATER_C))
    if not fresh.calibration:
        return Case(name, outcome, {}, ())
    looks, checks = {FRESH: fresh}, [_fouled(bench.twin(), drawn)]
    for way in ways:
        looked, checked = _follow(bench.twin(), way, drawn)
        looks |= looked
        checks += checked
    return Case(name, outcome, looks, tuple(checks))


def _follow(bench: Bench, way: str, drawn: Setup) -> tuple[dict[str, Stated], list[Check]]:
    looks: dict[str, Stated] = {}
    checks: list[Check] = []
    bottles = {OWN_LOT: drawn.bottles[0], OTHER_LOT: drawn.other}
    for day in range(1, AGES_DAYS[-1] + 1):
        if way in bottles and day % WEEK_DAYS == 0:
            bench.pass_days(day - bench.probe.days)
            checks.append(_check(bench, bottles[way]))
        if day in AGES_DAYS:
            bench.pass_days(day - bench.probe.days)
            warmth = bench.dice.random.uniform(*WATER_C)
            looks[f"{day} days, {way}"] = bench.look(warmth)
    return looks, checks


def _check(bench: Bench, with_bottle: Bottle) -> Check:
    shown = bench.exact(24.0)
    before = bench.look_at(shown)
    agrees = bench.check(with_bottle).outcome == "agrees"
    return Check(agrees, before.u, bench.look_at(shown).u)


def _fouled(bench: Bench, drawn: Setup) -> Check:
    bench.pass_days(WEEK_DAYS)
    bench.probe.fouling = bench.dice.random.uniform(*FOULING)
    return _check(bench, drawn.other)


def run(
    count: int,
    seed: int,
    shape: Shape = Shape.NORMAL,
    workers: int = 1,
    ways: Sequence[str] = WAYS,
) -> list[Case]:
    """Take many probes through it."""
    return each(partial(case, seed, shape, ways), count, workers)


def report(cases: list[Case]) -> Report:
    """Hold the cases against the limits."""
    found = Report()
    used = [each for each in cases if each.looks]
    outcomes = sorted({each.outcome for each in cases})
    for outcome in outcomes:
        number = sum(each.outcome == outcome for each in cases)
        found.add(f"outcome {outcome}", share(number, len(cases)))
    for solutions in ("one", "two"):
        _cover(found, solutions, [each for each in used if each.name.startswith(solutions)])
    for name in NAMES:
        widths = [2.0 * each.looks[FRESH].u for each in used if each.name == name]
        if widths:
            found.add(f"median U (k=2) at 33, {name}", f"{median(widths):.3f}")
    _hold_checks(found, [check for each in used for check in each.checks])
    return found


def coverage(cases: list[Case], look: str) -> float:
    """Return the share of k = 2 intervals that hold the truth."""
    return sum(each.looks[look].inside for each in cases) / len(cases)


def _cover(found: Report, solutions: str, cases: list[Case]) -> None:
    for look in cases[0].looks if cases else ():
        held = coverage(cases, look)
        width = median(2.0 * each.looks[look].u for each in cases)
        found.hold(
            f"coverage, {solutions}, {look}",
            f"{100.0 * held:.1f} %   (median U {width:.3f})",
            kept=LOWEST <= held <= HIGHEST,
        )


def widened(checks: list[Check]) -> list[Check]:
    """Return the agreeing checks after which the uncertainty was larger than before."""
    return [each for each in checks if each.agrees and each.after > each.before * (1.0 + SAME_U)]


def unmoved(checks: list[Check]) -> list[Check]:
    """Return the contradicting checks after which the uncertainty was not larger."""
    return [each for each in checks if not each.agrees and each.after <= each.before]


def _hold_checks(found: Report, checks: list[Check]) -> None:
    agreeing = sum(each.agrees for each in checks)
    wide, still = len(widened(checks)), len(unmoved(checks))
    found.hold("U larger after an agreeing check", share(wide, agreeing), kept=not wide)
    most = max((each.after / each.before - 1.0 for each in widened(checks)), default=0.0)
    found.add("  by at most", f"{100.0 * most:.2f} %")
    found.hold(
        "U not larger after a contradicting check",
        share(still, len(checks) - agreeing),
        kept=not still,
    )
