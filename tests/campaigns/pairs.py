"""Two probes in one reservoir and what happens to them: does the batch go on, and is it right?

    python -m tests.campaigns.pairs [--draws 300] [--seed 1] [--workers 2] [--show NUMBER]

Each draw mixes a batch in simulated water, which lands well within its limits or plainly outside,
and lets something happen to one of its two probes, or to both, at a moment of its own: a cable is
pulled, a probe is lifted or stood in a beaker, a bubble sticks, a cell fouls, an instrument repeats
itself, drops replies or says noise.  The truth is that of the simulated water.  Counted are
batches that were released outside their limits, ended, suspended or disturbed though a sound probe
stood in unchanged water, not released though one always did, and probes that left their history
and were not named.  Exit 1 where there is one of the first two kinds.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from random import Random

from daemon.entries import Entry, Event, Instant, Phase, Sample
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.events import AlarmChanged, BatchEnded, BatchSuspended, PhaseChanged
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from simulators.instrument import Character, Instrument
from simulators.scenarios import plain_batch
from simulators.stage import Action, Scenario, Stage
from tests.parts.stories import VESSEL
from tests.parts.weights import weights

NAMES = ("ct-1", "ct-2")
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
LASTS_S, PERIOD_S = 9000.0, 5.0
SALT_S = 180.0
RELEASED_BY_S = 4800.0
"""A batch with a sound probe is released by then: 77 minutes after salt."""
TARGET, TOLERANCE = 34.0, 1.0
GAIN_SHARE = 0.002
SERIOUS = ("released falsely", "ended wrongly")


@dataclass(frozen=True)
class Trouble:
    """Something that happens to a probe.

    Attributes:
        name: Of it.
        actions: What is done, from a moment to another.
        leaves: Whether the probe then plainly reads other than before, so that it can be named.
        blind: Whether it measures nothing meanwhile, or what nobody can know to be wrong.
    """

    name: str
    actions: Callable[[Random, float, float], list[Action]]
    leaves: bool = False
    blind: bool = True


def _trouble(**facts: float) -> Callable[[Random, float, float], list[Action]]:
    def actions(_dice: Random, from_s: float, to_s: float) -> list[Action]:
        over = {name: type(value)(0) for name, value in facts.items()}
        return [Action(from_s, "trouble", facts), Action(to_s, "trouble", over)]

    return actions


def _dip(low_mS_cm: float, high_mS_cm: float) -> Callable[[Random, float, float], list[Action]]:
    def actions(dice: Random, from_s: float, to_s: float) -> list[Action]:
        around = {
            "conductivity_mS_cm": dice.uniform(low_mS_cm, high_mS_cm),
            "temperature_C": dice.uniform(20.0, 26.0),
        }
        return [Action(from_s, "dip", around), Action(to_s, "back", {})]

    return actions


def _unplug(_dice: Random, from_s: float, to_s: float) -> list[Action]:
    return [Action(from_s, "plug", {"in": False}), Action(to_s, "plug", {"in": True})]


TROUBLES = (
    Trouble("unplugged", _unplug),
    Trouble("lifted into air", _dip(0.0, 0.0), leaves=True),
    Trouble("in a beaker of tap water", _dip(0.3, 0.9), leaves=True),
    Trouble("in a weak solution", _dip(12.0, 13.5), leaves=True),
    Trouble("in a strong solution", _dip(56.0, 60.0), leaves=True),
    Trouble("bubbles", _trouble(bubbles_per_h=20.0), blind=False),
    Trouble("drops replies", _trouble(dropout_chance=0.6), blind=False),
    Trouble("noise instead of replies", _trouble(garbage=True)),
    Trouble("fouls", _trouble(drift_per_day=-0.3), blind=False),
    Trouble("none", lambda *_: [], blind=False),
)


@dataclass
class Draw:
    """One batch with two probes.

    Attributes:
        number: Of the draw.
        lands: Practical salinity that the water comes to.
        troubles: What happens to each probe: what, from and to when, s.
        counts: What came of it.
        story: What the station said, for a person.
    """

    number: int
    lands: float
    troubles: dict[str, tuple[Trouble, float, float]]
    counts: Counter[str] = field(default_factory=Counter)
    story: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        """What happens in it."""
        each = (f"{name} {what.name}" for name, (what, *_) in self.troubles.items())
        return f"{self.number}: {self.lands:.1f} ppt, {', '.join(each)}"

    def sound(self, from_s: float, to_s: float) -> bool:
        """Say whether one probe measured the water all that time."""
        return any(
            not what.blind or until_s < from_s or since_s > to_s
            for what, since_s, until_s in self.troubles.values()
        )


def draw(number: int, seed: int) -> Draw:
    """Return a batch and what happens to its probes."""
    dice = Random(f"{seed}/{number}")
    lands = TARGET + dice.choice([-2.2, -0.4, 0.0, 0.0, 0.3, 1.9])
    both = dice.random() < 0.15
    chosen = NAMES if both else (dice.choice(NAMES),)
    troubles = {}
    for name in NAMES:
        what = dice.choice(TROUBLES[:-1]) if name in chosen else TROUBLES[-1]
        from_s = dice.uniform(30.0, 6500.0)
        troubles[name] = (what, from_s, from_s + dice.choice([60.0, 240.0, 900.0, 2400.0]))
    return Draw(number, lands, troubles)


def play(one: Draw, seed: int) -> Draw:
    """Mix the batch, and count what the station makes of it."""
    dice = Random(f"{seed}/{one.number}/probes")
    stages = {name: _stage(one, name, dice, seed) for name in NAMES}
    station = Station({"mix-1": _settings()}, weights())
    said: list[tuple[float, Event]] = []
    t_s = 0.0
    while t_s < LASTS_S:
        t_s += PERIOD_S
        at = Instant(START + timedelta(seconds=t_s), t_s)
        for name, stage in stages.items():
            stage.advance(t_s)
            entries = station.advance(_sample(name, stage, at))
            said += [(t_s, each) for each in _events(entries)]
    truth = stages["ct-1"].reservoir.true_salinity()
    _count(one, said, truth)
    return one


def _stage(one: Draw, name: str, dice: Random, seed: int) -> Stage:
    """Return the same water for each probe, with what happens to this one."""
    plain = plain_batch()
    (pour,) = [each for each in plain.actions if each.verb == "pour"]
    grams = pour.facts["grams"] * _share(one.lands)
    salt = Action(pour.at_s, "pour", {**pour.facts, "grams": grams})
    what, from_s, to_s = one.troubles[name]
    actions = [salt, *what.actions(dice, from_s, to_s)]
    scenario: Scenario = replace(
        plain,
        actions=tuple(sorted(actions, key=lambda each: each.at_s)),
        lasts_s=LASTS_S,
        character=Character(gain=1.0 + dice.gauss(0.0, GAIN_SHARE)),
    )
    made = Stage.setting(scenario, seed=1)
    made.instrument = Instrument(scenario.character, seed * 1000 + one.number + NAMES.index(name))
    made.instrument.follow(0.0, made.reservoir.conductivity_at_probe(), scenario.temperature_C)
    return made


def _share(lands: float) -> float:
    """Return how much of the salt of the plain batch, which lands at 34, brings so much."""
    return lands * (1000.0 - TARGET) / (TARGET * (1000.0 - lands))


def _settings() -> ReservoirSettings:
    worth = ProbeUncertainty(0.4, 0.05)
    batch = BatchSettings(vessel=VESSEL, target_ppt=TARGET, tolerance_ppt=TOLERANCE)
    limits = QualityLimits(gap_s=25.0)
    return ReservoirSettings("mix-1", batch, limits, dict.fromkeys(NAMES, worth))


def _sample(name: str, stage: Stage, at: Instant) -> Sample:
    spoken = stage.speak()
    conductivity, temperature = spoken.conductivity_mS_cm, spoken.temperature_C
    if conductivity is None or temperature is None:
        return Sample("mix-1", name, at, None, None, None, f"no reply from {name}; check it")
    return Sample("mix-1", name, at, conductivity, temperature)


def _events(entries: Iterable[Entry]) -> list[Event]:
    return [each for each in entries if isinstance(each, Event)]


def _count(one: Draw, said: list[tuple[float, Event]], truth: float) -> None:
    inside = abs(truth - TARGET) < TOLERANCE
    released_s = None
    for t_s, event in said:
        one.story.append(f"{t_s:7.0f} {event.body}"[:220])
        match event.body:
            case PhaseChanged(to=Phase.READY):
                released_s = t_s if released_s is None else released_s
                one.counts["released falsely"] += not inside
            case BatchEnded():
                one.counts["ended wrongly"] += 1
            case BatchSuspended() if one.sound(t_s - 180.0, t_s):
                one.counts["suspended needlessly"] += 1
            case PhaseChanged(to=Phase.DISSOLVING, from_=before) if before in _STEADY:
                one.counts["disturbed needlessly"] += one.sound(t_s - 300.0, t_s)
            case _:
                pass
    if inside and one.sound(0.0, RELEASED_BY_S):
        late = released_s is None or released_s > RELEASED_BY_S
        one.counts["not released by its time"] += late
        one.counts["to be released"] += 1
    _count_names(one, said)


def _count_names(one: Draw, said: list[tuple[float, Event]]) -> None:
    """Count a probe that left in steady water for longer than the alarm's delay, and its name."""
    steady_s = next(
        (t for t, e in said if isinstance(e.body, PhaseChanged) and e.body.to is Phase.VERIFYING),
        LASTS_S,
    )
    for name, (what, from_s, to_s) in one.troubles.items():
        (other,) = [each for each in NAMES if each != name]
        alone = not one.troubles[other][0].blind and one.troubles[other][0].name != "fouls"
        if not what.leaves or from_s < steady_s + 300.0 or to_s - from_s < 480.0 or not alone:
            continue
        if from_s + 480.0 > LASTS_S:
            continue
        one.counts["to be named"] += 1
        alarms = [e.body for _, e in said if isinstance(e.body, AlarmChanged)]
        whys = [each.why for each in alarms if each.name == "probe-disagrees"]
        one.counts["not named"] += not any(f"{name} left its own" in each for each in whys)


_STEADY = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)


def outcome(number: int, seed: int) -> tuple[str, Counter[str]]:
    """Return what happens in a draw, and what the station made of it."""
    one = play(draw(number, seed), seed)
    return one.name, one.counts


def run(numbers: range, seed: int, workers: int) -> list[tuple[str, Counter[str]]]:
    """Play these draws."""
    seeds = [seed] * len(numbers)
    if workers == 1:
        return [*map(outcome, numbers, seeds)]
    with ProcessPoolExecutor(workers) as pool:
        return [*pool.map(outcome, numbers, seeds, chunksize=4)]


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", type=int)
    options = parser.parse_args()
    if options.show is not None:
        one = play(draw(options.show, options.seed), options.seed)
        print(one.name, one.troubles, *one.story, one.counts, sep="\n")  # noqa: T201
        return 0
    played = run(range(options.draws), options.seed, options.workers)
    whole: Counter[str] = Counter()
    for name, counts in played:
        whole.update(counts)
        wrong = {what: n for what, n in counts.items() if n and not what.startswith("to be")}
        if wrong:
            print(name, wrong)  # noqa: T201
    print(len(played), "batches:", *(f"{name} {n}" for name, n in sorted(whole.items())))  # noqa: T201
    return 1 if any(whole[name] for name in SERIOUS) else 0


if __name__ == "__main__":
    sys.exit(main())
