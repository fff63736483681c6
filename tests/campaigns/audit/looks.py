"""Water exactly at a limit, judged each minute for half a day: how often is it ever released?

The probe is right: its errors have no mean, and all that it shows too much or too little comes and
goes.  The slow part of its noise is half of the standard uncertainty that the station is told.
"""

from __future__ import annotations

import random
from dataclasses import replace
from functools import partial

from daemon.entries import Phase
from tests.campaigns.audit import batches
from tests.campaigns.audit.chance import dice
from tests.campaigns.audit.tub import Sensor
from tests.campaigns.audit.watch import HIGH, LOW
from tests.campaigns.audit.workers import each

WATCHED_S = 12.0 * 3600.0
PERIOD_S = 20.0
WANDER_SHARE = 0.5
"""Of the standard uncertainty of conductivity that the station is told."""
WANDER_S = (60.0, 600.0)
NOISE = 0.0003
"""White noise of conductivity, share of the value."""


def released(seed: int, number: int) -> bool:
    """Watch water at a limit; say whether it was ever released."""
    chance = dice("looks", seed, number)
    worth = chance.random.uniform(0.1, 0.5), chance.random.uniform(0.02, 0.1)
    sensor = Sensor(
        gain=1.0,
        off_C=0.0,
        noise=NOISE,
        wander=WANDER_SHARE * worth[0] / 100.0,
        wander_s=chance.random.uniform(*WANDER_S),
        lag_s=10.0,
    )
    drawn = replace(
        batches.draw(seed, number),
        seed=f"looks/{seed}/{number}",
        final=chance.random.choice((LOW, HIGH)),
        worth=worth,
        kinetics=replace(batches.kinetics(random.Random(f"{seed}/{number}")), warming_C_h=0.0),
        sensor=sensor,
        period_s=PERIOD_S,
    )
    watch = batches.begun(drawn, frozenset())
    return watch.until(lambda: watch.phase is Phase.READY, WATCHED_S)


def run(count: int, seed: int, workers: int = 1) -> list[bool]:
    """Watch much water at a limit; say of each whether it was ever released."""
    return each(partial(released, seed), count, workers)
