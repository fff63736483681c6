"""Family one: the salt is a sum of stores with laws of their own; the water is two zones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.research.stability.families.compartments import Ints, Network, courses, exchanges
from tests.research.stability.families.draws import Floats, Rng, chance, duration_s, log_uniform
from tests.research.stability.families.handling import (
    Handling,
    dilution,
    draw_handling,
    grid,
    poured,
    running,
)
from tests.research.stability.families.kinetics import Store, dissolved
from tests.research.stability.families.mixture import Mixture

_FORMS = {
    "first order": (0.0, 0.0), "cube root": (0.0, 0.0), "sizes": (0.1, 0.7),
    "diffusion": (0.0, 0.0), "saturating": (0.05, 1.0), "power": (0.05, 0.4),
}  # fmt: skip


def store(rng: Rng, share: float, tau_s: float, laws: list[str], *, lies: bool = False) -> Store:
    """Draw the law of a store."""
    law = str(rng.choice(laws))
    low, high = _FORMS[law]
    return Store(share, law, tau_s, rng.uniform(low, high), lies)


def draw_salt(faults: list[str], rng: Rng) -> list[Store]:
    """Draw the stores of a batch, one to four; those that lie on the bottom come last."""
    laws = ["first order", "cube root", "sizes", "saturating", "power"]
    fast_s = duration_s(faults, rng, 20.0, 400.0)
    coarse = rng.uniform(0.03, 0.35) if chance(rng, 0.5) else 0.0
    coarse_s = duration_s(faults, rng, 80.0, 700.0)
    if "slow dissolver" in faults:
        fast_s = log_uniform(rng, 350.0, 1500.0)
        coarse_s = fast_s * rng.uniform(0.3, 1.3)
    heap, heap_s = 0.0, log_uniform(rng, 300.0, 1500.0)
    if "heap" in faults:
        heap, heap_s = log_uniform(rng, 0.006, 0.35), log_uniform(rng, 400.0, 3000.0)
    elif "clean" not in faults and chance(rng, 0.15):
        heap = log_uniform(rng, 0.002, 0.04)
    loose = 1.0 - heap
    salt = [store(rng, loose * (1.0 - coarse), fast_s, laws)]
    if coarse > 0.0:
        salt.append(store(rng, loose * coarse, coarse_s, laws))
    if heap > 0.0:
        salt.append(store(rng, heap, heap_s, [*laws, "diffusion", "diffusion"], lies=True))
    return salt


def pace_s(salt: list[Store]) -> float:
    """Return about how long dissolving takes to come near the end by a factor e, seconds."""
    return max(each.tau_s for each in salt if not each.lies)


@dataclass(frozen=True, slots=True)
class Arrival:
    """What comes to the water between each time of the grid and the next.

    All in salinity of the first filling; fresh water thins all parts alike, and besides
    takes salt from the part that it falls into.

    Attributes:
        grains: From salt afloat.
        heap: From salt that lies on the bottom.
        fresh: By fresh water to where it falls, less than nothing.
        undissolved: Salt not dissolved at each time.
    """

    grains: Floats
    heap: Floats
    fresh: Floats
    undissolved: Floats


def arriving(
    drawn: Handling, salt: list[Store], stirring: Floats, under_heap: Floats, t_s: Floats
) -> Arrival:
    """Return what comes to the water, given how fast the clocks of the salt run."""
    total = poured(drawn, t_s)
    afloat, lying = np.zeros(len(t_s)), np.zeros(len(t_s))
    for each in salt:
        if each.lies:
            lying += dissolved(each, total * each.share, under_heap)
        else:
            afloat += dissolved(each, total * each.share, stirring)
    thin = dilution(drawn, t_s)
    inside = drawn.start + afloat + lying
    fresh = inside[:-1] * np.diff(thin) / thin[:-1]
    return Arrival(np.diff(afloat), np.diff(lying), fresh, total - afloat - lying)


def near(volumes: Floats, part: int, share: float, most: float) -> Floats:
    """Return what each part gets when `share` comes to one, and the rest to all alike.

    No part gets more than `most` times its share of the water.
    """
    room = (most - 1.0) * volumes[part] / (1.0 - volumes[part])
    share = min(share, room)
    out = volumes * (1.0 - share)
    out[part] += share
    return np.asarray(out)


def mixture(
    drawn: Handling, flows: list[Network], which: Ints, comes: Floats, undissolved: Floats,
    t_s: Floats,
) -> Mixture:  # fmt: skip
    """Return the course of a vessel of compartments; state of flow 0 is that of the pump."""
    comes = np.concatenate([comes, np.zeros((1, comes.shape[1]))])
    parts, probe = courses(flows, which, drawn.start, comes)
    thin = dilution(drawn, t_s)
    return Mixture(
        drawn, parts * thin[:, None], flows[0].volumes, probe * thin, undissolved * thin,
        (drawn.start + poured(drawn, t_s)) * thin, running(drawn, t_s),
    )  # fmt: skip


def resting(faults: list[str], rng: Rng) -> float:
    """Return by how much slower water at rest exchanges.

    Without a pump, warm walls and a cool surface may stir nearly as well as a weak pump.
    """
    if "never pumped" in faults and chance(rng, 0.35):
        return log_uniform(rng, 3.0, 30.0)
    return log_uniform(rng, 30.0, 2000.0)


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    salt = draw_salt(faults, rng)
    exchange_s = duration_s(faults, rng, 12.0, 220.0)
    pace = pace_s(salt) + 0.5 * exchange_s
    drawn = draw_handling(faults, rng, pace)
    low = rng.uniform(0.15, 0.5)
    volumes = np.array([low, 1.0 - low])
    rate = low * (1.0 - low) / exchange_s
    on = Network(
        volumes, exchanges(2, [(0, 1, rate)]), 0 if chance(rng, 0.15) else 1,
        duration_s(faults, rng, 5.0, 90.0),
    )  # fmt: skip
    rests = resting(faults, rng)
    still = replace(on, flows=on.flows / rests, nook_s=on.nook_s * rng.uniform(1.0, 5.0))
    t_s = grid()
    runs = running(drawn, t_s)
    creep = 1.0 / log_uniform(rng, 2.0, 40.0)
    stirring = np.where(runs, 1.0, creep)
    under_heap = stirring * log_uniform(rng, 0.7, 1.4)
    salt_from = arriving(drawn, salt, stirring, under_heap, t_s)
    into_low = np.where(runs, rng.uniform(0.2, 1.0), rng.uniform(0.4, 1.0))[:-1]
    high = salt_from.grains * (1.0 - into_low)
    comes = np.stack([salt_from.grains - high + salt_from.heap, high], axis=1)
    falls = near(volumes, 1, rng.uniform(0.0, 1.0), 2.5) - volumes
    comes += np.outer(salt_from.fresh * runs[:-1], falls)
    which = np.where(runs, 0, 1)
    return mixture(drawn, [on, still], which, comes, salt_from.undissolved, t_s), pace
