"""Batches from pure water to the verdict and one correction, with replies missing.

Final salinity is even from 31 to 37, so that as many batches lie near a limit as anywhere.  The
probe is off by a draw from the uncertainty that the station is given.  In a third of the batches
the replies are missing about the very row at which salinity is called steady: a first run without
gaps shows which, and the same rows come again with gaps there.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from functools import partial

from daemon.entries import Phase
from tests.campaigns.audit.chance import dice
from tests.campaigns.audit.tub import Kinetics, Sensor, Tub
from tests.campaigns.audit.watch import HIGH, LOW, MIXING, Watch
from tests.campaigns.audit.workers import each

FINAL = (31.0, 37.0)
LONGEST_S = 3.0 * 3600.0
"""For a verdict; no batch here dissolves for so long."""
OPEN_S = 900.0
"""How long an undecided batch is watched before it is corrected."""
NOTICED_S = 900.0
"""How long after an addition the station may take to see it."""
PURE_S = 180.0
GUARD_U = 1.645
"""From a limit to the acceptance interval at a confidence of 95 % (JCGM 106:2012)."""
ROOM_U = 3.0
"""From there to water that must be released."""
FIRST_PART = 0.8
"""Of an addition that is made in two parts."""
COMMON_YIELD, YIELD_U = 0.881, 0.02
WEIGHING, VOLUME = 0.005, 0.005
GAPS_AT_CALL = ("one row", "some rows", "five minutes")
EVERYWHERE = "anywhere"
FIVE_MIN_S = 300.0
WIDE_PERCENT = (5.0, 20.0, 40.0, 50.0, 60.0)
"""Worth of a probe that can prove nothing: standard uncertainty of conductivity, %."""


@dataclass(frozen=True)
class Draw:
    """One batch, drawn.

    Attributes:
        seed: Of noise.
        final: Practical salinity once all is dissolved.
        worth: Standard uncertainties that the station is told: % of conductivity, and °C.
        kinetics: Of the water.
        sensor: Of the probe.
        fill_l: Water as believed, L.
        water_l: As it is.
        salt_share: Salt per mass of mix.
        period_s: Between rows.
        pour_s: That pouring takes.
        gaps: Where replies are missing.
    """

    seed: str
    final: float
    worth: tuple[float, float]
    kinetics: Kinetics
    sensor: Sensor
    fill_l: float
    water_l: float
    salt_share: float
    period_s: float
    pour_s: float
    gaps: str


@dataclass(frozen=True)
class Batch:
    """How one batch came out.

    Attributes:
        final: Practical salinity once all was dissolved, before any correction.
        u: Standard uncertainty stated of the last reading before the first verdict.
        gaps: Where replies were missing.
        first: Phase once the first verdict was there, or an undecided batch was given time.
        releases: For each release, whether the water was truly within the limits.
        unproven: Calls of `off_target` without proof.
        corrected: True salinity after one correction by the advice; None where none was made.
        last: Phase then.
    """

    final: float
    u: float
    gaps: str
    first: Phase
    releases: tuple[bool, ...]
    unproven: int
    corrected: float | None
    last: Phase

    @property
    def well_inside(self) -> bool:
        """Whether the water lies inside the acceptance interval by three uncertainties."""
        room = (GUARD_U + ROOM_U) * self.u
        return LOW + room <= self.final <= HIGH - room

    @property
    def corrected_inside(self) -> bool:
        """Whether the water was truly within the limits after the correction."""
        return self.corrected is not None and LOW <= self.corrected <= HIGH


def draw(seed: int, number: int) -> Draw:
    """Draw one batch; the same for the same numbers."""
    chance = dice("batch", seed, number)
    uniform = chance.random.uniform
    worth = uniform(0.1, 0.5), uniform(0.02, 0.1)
    fill_l = round(20.0 * 20.0 ** uniform(0.0, 1.0), 1)
    gaps = GAPS_AT_CALL[number // 3 % len(GAPS_AT_CALL)] if number % 3 == 0 else EVERYWHERE
    return Draw(
        seed=f"{seed}/{number}",
        final=uniform(*FINAL),
        worth=worth,
        kinetics=kinetics(chance.random),
        sensor=Sensor(
            gain=1.0 + chance.error(worth[0] / 100.0),
            off_C=chance.error(worth[1]),
            noise=uniform(0.0001, 0.0006),
            wander=uniform(0.0, 0.0004),
            wander_s=uniform(10.0, 90.0),
            lag_s=uniform(4.0, 15.0),
        ),
        fill_l=fill_l,
        water_l=fill_l * (1.0 + chance.error(VOLUME)),
        salt_share=COMMON_YIELD + chance.error(YIELD_U),
        period_s=chance.random.choice((5.0, 10.0)),
        pour_s=uniform(30.0, 180.0),
        gaps=gaps,
    )


def kinetics(chance: random.Random) -> Kinetics:
    """Draw how salt dissolves, and how warm the water is."""
    return Kinetics(
        slow_share=chance.uniform(0.05, 0.35),
        fast_s=chance.uniform(40.0, 150.0),
        slow_s=chance.uniform(120.0, 500.0),
        mixing_s=chance.uniform(15.0, 90.0),
        temperature_C=chance.uniform(19.0, 28.0),
        warming_C_h=chance.uniform(-0.8, 0.8),
    )


def begun(drawn: Draw, gaps: frozenset[int]) -> Watch:
    """Return a watch of pure water into which the salt has been poured."""
    tub = Tub(
        drawn.kinetics, drawn.sensor, 998.0 * drawn.water_l, random.Random(f"noise/{drawn.seed}")
    )
    watch = Watch(tub, drawn.worth, drawn.fill_l, drawn.period_s, gaps)
    watch.wait(PURE_S)
    watch.pour(tub.salt_for(drawn.final), 0.0, drawn.pour_s)
    return watch


def batch(seed: int, number: int) -> Batch:
    """Take one batch to its first verdict, and through one correction where it needs one."""
    drawn = draw(seed, number)
    watch = begun(drawn, _gaps(drawn))
    settled(watch)
    first, u = watch.phase, watch.u
    corrected = None
    if first is not Phase.READY and _correct(watch, drawn):
        corrected = watch.tub.final
    return Batch(
        final=drawn.final,
        u=u,
        gaps=drawn.gaps,
        first=first,
        releases=tuple(call.truly_inside for call in watch.called(Phase.READY)),
        unproven=sum(not call.proven_outside for call in watch.called(Phase.OFF_TARGET)),
        corrected=corrected,
        last=watch.phase,
    )


def wide(seed: int, number: int) -> int:
    """Mix a batch under a probe that is worth little; count calls of `off_target` without proof."""
    chance = random.Random(f"wide/{seed}/{number}")
    worth = chance.choice(WIDE_PERCENT), 0.1
    drawn = replace(draw(seed, number), seed=f"wide/{seed}/{number}", worth=worth)
    watch = begun(drawn, frozenset())
    settled(watch)
    return sum(not call.proven_outside for call in watch.called(Phase.OFF_TARGET))


def settled(watch: Watch) -> None:
    """Wait for a verdict, and give an undecided batch some time."""
    watch.until(lambda: watch.phase not in MIXING, LONGEST_S)
    watch.until(lambda: watch.phase is not Phase.VERIFYING, OPEN_S)


def _correct(watch: Watch, drawn: Draw) -> bool:
    """Do what the advice says, in one part or in two; say whether it said anything."""
    if watch.advised() == (0.0, 0.0):
        return False
    hand = random.Random(f"hand/{drawn.seed}")
    if hand.random() < 0.5:
        _add(watch, drawn, hand, 1.0)
        return True
    _add(watch, drawn, hand, FIRST_PART)
    if watch.phase is not Phase.READY:
        _add(watch, drawn, hand, 1.0)
    return True


def _add(watch: Watch, drawn: Draw, hand: random.Random, part: float) -> None:
    """Add a part of what is advised now, and wait for the verdict."""
    mix_g, water_l = watch.advised()
    mix_g *= part * (1.0 + hand.gauss(0.0, WEIGHING))
    water_g = 998.0 * part * water_l * (1.0 + hand.gauss(0.0, WEIGHING))
    salt_g = drawn.salt_share * mix_g
    watch.pour(salt_g, water_g + mix_g - salt_g, drawn.pour_s)
    watch.until(lambda: watch.phase in MIXING, NOTICED_S)
    settled(watch)


def _gaps(drawn: Draw) -> frozenset[int]:
    """Return the rows without a reply."""
    chance = random.Random(f"gaps/{drawn.seed}")
    if drawn.gaps == EVERYWHERE:
        return _anywhere(chance, drawn.period_s)
    watch = begun(drawn, frozenset())
    watch.until(lambda: watch.steady_row is not None, LONGEST_S)
    row = watch.steady_row
    return frozenset() if row is None else _about(chance, row, drawn)


def _about(chance: random.Random, row: int, drawn: Draw) -> frozenset[int]:
    if drawn.gaps == "one row":
        return frozenset({row})
    if drawn.gaps == "some rows":
        near = range(row - 6, row + 7)
        return frozenset({row, *(each for each in near if chance.random() < 0.5)})
    rows = math.ceil(FIVE_MIN_S / drawn.period_s)
    start = row - chance.randrange(rows)
    return frozenset(range(start, start + rows))


def _anywhere(chance: random.Random, period_s: float) -> frozenset[int]:
    """Return single rows and bursts of up to five minutes, over the first hours."""
    rows = round(3.0 * LONGEST_S / period_s)
    single = chance.choice((0.0, 0.01, 0.05))
    found = {row for row in range(rows) if chance.random() < single}
    for _ in range(chance.randrange(8)):
        start = chance.randrange(rows // 3)
        found.update(range(start, start + chance.randint(1, round(FIVE_MIN_S / period_s))))
    return frozenset(found)


def run_wide(count: int, seed: int, workers: int = 1) -> list[int]:
    """Mix many batches under probes that are worth little."""
    return each(partial(wide, seed), count, workers)


def run(count: int, seed: int, workers: int = 1) -> list[Batch]:
    """Mix many batches."""
    return each(partial(batch, seed), count, workers)
