"""Family two: residence times: tanks in series, a loop, a bypass, a dead zone.

The pump draws from the last tank of the vessel, through the loop, to the first; a bypass
returns a part of it to where it came from, and a dead zone exchanges with one tank.
"""

from __future__ import annotations

import numpy as np

from tests.research.stability.families import stores
from tests.research.stability.families.compartments import Network, exchanges
from tests.research.stability.families.draws import Rng, chance, duration_s, log_uniform
from tests.research.stability.families.handling import draw_handling, grid, running
from tests.research.stability.families.mixture import Mixture

_MOST_AT_ONE_PLACE = 2.5
_MOST_AT_REST = 4.0
"""How much more salt than its share of the water may come to a tank."""


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    salt = stores.draw_salt(faults, rng)
    on, still, mixing_s = _vessel(faults, rng)
    tanks = len(on.volumes)
    pace = max(stores.pace_s(salt), mixing_s)
    drawn = draw_handling(faults, rng, pace)
    t_s = grid()
    runs = running(drawn, t_s)
    stirring = np.where(runs, 1.0, 1.0 / log_uniform(rng, 2.0, 40.0))
    under_heap = stirring * log_uniform(rng, 0.5, 1.4)
    salt_from = stores.arriving(drawn, salt, stirring, under_heap, t_s)
    near, volumes = stores.near, on.volumes
    flowing_to = near(volumes, 0, rng.uniform(0.0, 1.0), _MOST_AT_ONE_PLACE)
    resting_to = near(volumes, 0, rng.uniform(0.3, 1.0), _MOST_AT_REST)
    heap_at = near(volumes, int(rng.integers(tanks)), rng.uniform(0.5, 1.0), _MOST_AT_REST)
    falls = near(volumes, 0, rng.uniform(0.0, 1.0), _MOST_AT_ONE_PLACE) - volumes
    grains_to = np.where(runs[:-1, None], flowing_to, resting_to)
    comes = salt_from.grains[:, None] * grains_to + np.outer(salt_from.heap, heap_at)
    comes += np.outer(salt_from.fresh * runs[:-1], falls)
    which = np.where(runs, 0, 1)
    return stores.mixture(drawn, [on, still], which, comes, salt_from.undissolved, t_s), pace


def _vessel(faults: list[str], rng: Rng) -> tuple[Network, Network, float]:
    """Draw tanks, loop, bypass and dead zone: with the pump, without, and their mixing time."""
    tanks, pipes = int(rng.integers(1, 9)), int(rng.integers(1, 7))
    dead = rng.uniform(0.04, 0.25) if chance(rng, 0.5) else 0.0
    loop = log_uniform(rng, 0.01, 0.3)
    sizes = rng.dirichlet(np.full(tanks, 20.0)) * (1.0 - loop - dead)
    volumes = np.concatenate([sizes, np.full(pipes, loop / pipes), [dead] if dead else []])
    count = len(volumes)
    turnover_s = duration_s(faults, rng, 40.0, 900.0)
    pumped = 1.0 / turnover_s
    around = np.zeros((count, count))
    bypass = rng.uniform(0.05, 0.6) if chance(rng, 0.4) else 0.0
    around[0, tanks + pipes - 1] += pumped * (1.0 - bypass)
    around[tanks - 1, tanks + pipes - 1] += pumped * bypass
    for k in range(tanks - 1):
        around[k + 1, k] += pumped * (1.0 - bypass)
    for k in range(tanks - 1, tanks + pipes - 1):
        around[k + 1, k] += pumped
    back = pumped * log_uniform(rng, 0.02, 2.0)
    pairs = [(k, k + 1, back) for k in range(tanks - 1)]
    mixing_s = turnover_s * (1.0 + tanks / 20.0) * 0.5
    probe = int(rng.integers(tanks + pipes))
    if dead:
        dead_s = duration_s(faults, rng, 40.0, 900.0)
        pairs.append((int(rng.integers(tanks)), count - 1, dead / dead_s))
        mixing_s = max(mixing_s, dead_s)
        probe = count - 1 if chance(rng, 0.15) else probe
    mixed = exchanges(count, pairs)
    nook_s = duration_s(faults, rng, 4.0, 60.0)
    rests = stores.resting(faults, rng)
    seeps = exchanges(count, [(k, k + 1, pumped * 0.3 / rests) for k in range(count - 1)])
    on = Network(volumes, around + mixed, probe, nook_s)
    still = Network(volumes, mixed / rests + seeps, probe, nook_s * rng.uniform(1.0, 5.0))
    return on, still, mixing_s
