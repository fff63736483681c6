"""Family five: no steady pump: a timer, a spoon, a weak pump besides, convection alone.

Water lies in three layers.  Stirring moves all of it for a minute or two; between, walls
that are warm and a surface that is cool move it a little.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.research.stability.families import stores
from tests.research.stability.families.compartments import Ints, Network, exchanges
from tests.research.stability.families.draws import Floats, Rng, chance, duration_s, log_uniform
from tests.research.stability.families.handling import (
    NEVER_S,
    Handling,
    draw_handling,
    grid,
    running,
)
from tests.research.stability.families.mixture import Mixture

_PUMPED, _RESTING, _STIRRED = 0, 1, 2


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    salt = stores.draw_salt(faults, rng)
    flows, exchange_s = _vessel(faults, rng)
    pace = stores.pace_s(salt) + exchange_s
    drawn = draw_handling(faults, rng, pace)
    way = str(rng.choice(["timer", "timer", "spoon", "spoon", "both"]))
    if "never pumped" in faults:
        way = str(rng.choice(["convection", "convection", "spoon"]))
    _settle_pump(drawn, way, rng)
    t_s = grid()
    which = np.where(running(drawn, t_s), _PUMPED, _RESTING)
    if way in ("spoon", "both"):
        enough_s = pace * (rng.uniform(0.3, 3.0) if "never pumped" in faults else 12.0)
        _stir(which, drawn, rng, t_s, enough_s)
    creep = 1.0 / log_uniform(rng, 1.5, 20.0)
    stirring = np.array([1.0, creep, rng.uniform(1.0, 2.5)])[which]
    under_heap = stirring * log_uniform(rng, 0.5, 1.4)
    salt_from = stores.arriving(drawn, salt, stirring, under_heap, t_s)
    comes = _comes(salt_from, flows[0].volumes, which, rng)
    return stores.mixture(drawn, flows, which, comes, salt_from.undissolved, t_s), pace


def _comes(salt_from: stores.Arrival, volumes: Floats, which: Ints, rng: Rng) -> Floats:
    """Return what comes to each layer: grains sink at rest, and are everywhere when stirred."""
    shares = rng.dirichlet([3.0, 1.5, 1.5])
    share = min(rng.uniform(0.4, 1.0), 3.0 * volumes[0])
    at_rest = shares * (1.0 - share) * np.array([0.0, 1.0, 1.0]) / max(1.0 - shares[0], 1e-9)
    at_rest[0] = share
    to = np.stack([shares * 0.5 + volumes * 0.5, at_rest, volumes])[which[:-1]]
    comes = salt_from.grains[:, None] * to
    comes[:, 0] += salt_from.heap
    falls = np.array([0.0, 0.0, 1.0]) - volumes
    moved = which[:-1] != _RESTING
    return np.asarray(comes + 0.5 * np.outer(salt_from.fresh * moved, falls))


def _vessel(faults: list[str], rng: Rng) -> tuple[list[Network], float]:
    """Draw three layers, from the bottom up, pumped, resting and stirred."""
    volumes = rng.dirichlet([8.0, 10.0, 12.0])
    exchange_s = duration_s(faults, rng, 15.0, 200.0)
    lower, upper = 0.2 / exchange_s, 0.2 / exchange_s * log_uniform(rng, 0.3, 3.0)
    probe = int(rng.choice([0, 1, 1, 2, 2, 2]))
    nook_s = duration_s(faults, rng, 4.0, 60.0)
    pumped = Network(volumes, exchanges(3, [(0, 1, lower), (1, 2, upper)]), probe, nook_s)
    weaker = (
        log_uniform(rng, 5.0, 300.0) if "never pumped" in faults else log_uniform(rng, 8.0, 800.0)
    )
    above = rng.uniform(0.05, 1.0)
    flows = exchanges(3, [(0, 1, lower / weaker), (1, 2, upper / weaker / above)])
    resting = replace(pumped, flows=flows, nook_s=nook_s * rng.uniform(1.0, 4.0))
    faster = log_uniform(rng, 1.0, 8.0)
    stirred = replace(pumped, flows=pumped.flows * faster, nook_s=nook_s / faster)
    return [pumped, resting, stirred], exchange_s


def _settle_pump(drawn: Handling, way: str, rng: Rng) -> None:
    """Lay a timer, or no pump at all, over what the fault says of the pump."""
    if way == "timer" and drawn.timer_s >= NEVER_S:
        drawn.timer_s = log_uniform(rng, 120.0, 800.0)
        drawn.timer_share = rng.uniform(0.3, 0.8)
    if way in ("spoon", "convection"):
        drawn.off = [(0.0, NEVER_S)]


def _stir(which: Ints, drawn: Handling, rng: Rng, t_s: Floats, enough_s: float) -> None:
    """Stir now and then, from the pour on; after a second addition again.

    Args:
        which: State of flow along the grid, changed in place.
        drawn: When salt comes.
        rng: Source of chance.
        t_s: The grid.
        enough_s: For so long in all.
    """
    every_s, lasts_s = log_uniform(rng, 60.0, 600.0), log_uniform(rng, 20.0, 240.0)
    begins = [pour.start_s for pour in drawn.pours] + [each.start_s for each in drawn.fresh]
    last_s = max(pour.start_s + pour.length_s for pour in drawn.pours)
    ends_s = max([last_s, *(each.start_s for each in drawn.fresh)]) + 4.0 * 3600.0
    at_s, stirred_s = min(begins), 0.0
    while at_s < ends_s and stirred_s < enough_s:
        each_s = lasts_s * rng.uniform(0.5, 1.5)
        low, high = np.searchsorted(t_s, [at_s, at_s + each_s])
        which[low:high] = _STIRRED
        stirred_s += each_s
        at_s += each_s + every_s * rng.uniform(0.5, 1.5)
    for begin_s in begins:
        if begin_s >= at_s and chance(rng, 0.9):
            low, high = np.searchsorted(t_s, [begin_s, begin_s + 4.0 * lasts_s])
            which[low:high] = _STIRRED
