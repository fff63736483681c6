"""Family six: how the salt comes: long pours, portions, a bag in a sump, brine, a water change.

A sump feeds the vessel, which is a near and a far half; the pump draws back from the far one.
"""

from __future__ import annotations

import numpy as np

from tests.research.stability.families import stores
from tests.research.stability.families.compartments import Network, exchanges
from tests.research.stability.families.draws import Rng, duration_s, log_uniform
from tests.research.stability.families.handling import (
    FreshWater,
    Handling,
    Pour,
    draw_handling,
    grid,
    running,
)
from tests.research.stability.families.kinetics import Store
from tests.research.stability.families.mixture import Mixture

_WAYS = ("long pour", "portions", "bag", "brine", "water change")


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    way = str(rng.choice(_WAYS))
    salt = _salt(way, faults, rng)
    on, still, turnover_s = _vessel(faults, rng)
    pace = max(stores.pace_s(salt), turnover_s)
    drawn = _handling(way, faults, rng, pace)
    t_s = grid()
    runs = running(drawn, t_s)
    stirring = np.where(runs, 1.0, 1.0 / log_uniform(rng, 2.0, 40.0))
    salt_from = stores.arriving(drawn, salt, stirring, stirring * rng.uniform(0.5, 1.4), t_s)
    sump = 0 if way == "bag" else int(rng.choice([0, 1, 1]))
    flowing_to = stores.near(on.volumes, sump, rng.uniform(0.3, 1.0), 3.0)
    resting_to = stores.near(on.volumes, sump, rng.uniform(0.5, 1.0), 4.0)
    heap_at = stores.near(on.volumes, sump, 1.0, 5.0)
    falls = stores.near(on.volumes, int(rng.integers(3)), rng.uniform(0.2, 1.0), 1.8) - on.volumes
    to = np.where(runs[:-1, None], flowing_to, resting_to)
    comes = salt_from.grains[:, None] * to + np.outer(salt_from.heap, heap_at)
    comes += np.outer(salt_from.fresh * runs[:-1], falls)
    which = np.where(runs, 0, 1)
    return stores.mixture(drawn, [on, still], which, comes, salt_from.undissolved, t_s), pace


def _salt(way: str, faults: list[str], rng: Rng) -> list[Store]:
    """Draw the salt; a bag gives it slowly, and brine has it dissolved but for a little."""
    salt = stores.draw_salt(faults, rng)
    if way == "bag":
        inner_s = log_uniform(rng, 200.0, 1500.0)
        laws = ["diffusion", "saturating", "first order"]
        bag = stores.store(rng, rng.uniform(0.5, 0.95), inner_s, laws)
        return [bag, *_smaller(salt, 1.0 - bag.share)]
    if way == "brine" and "slow dissolver" not in faults:
        clear = Store(rng.uniform(0.85, 1.0), "first order", 3.0)
        return [clear, *_smaller(salt, 1.0 - clear.share)]
    return salt


def _smaller(salt: list[Store], factor: float) -> list[Store]:
    """Return stores with less in those afloat; a heap keeps its share as far as there is room."""
    lying = sum(each.share for each in salt if each.lies)
    afloat = sum(each.share for each in salt if not each.lies)
    heap = min(lying, factor)
    return [
        Store(
            each.share / lying * heap if each.lies else each.share / afloat * (factor - heap),
            each.law, each.tau_s, each.form, each.lies,
        )
        for each in salt
    ]  # fmt: skip


def _handling(way: str, faults: list[str], rng: Rng, pace_s: float) -> Handling:
    lasts_s = duration_s(faults, rng, 300.0, 2400.0)
    count = int(rng.integers(4, 16))
    pause_s = log_uniform(rng, 20.0, 500.0)

    def steady(start_s: float, salinity: float) -> list[Pour]:
        return [Pour(start_s, lasts_s, salinity)]

    def portions(start_s: float, salinity: float) -> list[Pour]:
        sizes = rng.dirichlet(np.full(count, 10.0)) * salinity
        gaps = pause_s * rng.uniform(0.5, 1.5, count)
        begins = start_s + np.cumsum(gaps) - gaps[0]
        return [
            Pour(begin, 15.0, size)
            for begin, size in zip(begins.tolist(), sizes.tolist(), strict=True)
        ]

    pouring = {"long pour": steady, "brine": steady, "portions": portions}.get(way)
    if way == "water change":
        faults = [*faults, "leftover water"]
    drawn = draw_handling(faults, rng, pace_s, pouring)
    if way == "water change":
        share, fills_s = log_uniform(rng, 0.15, 1.0), log_uniform(rng, 180.0, 1500.0)
        early_s = rng.uniform(0.0, min(fills_s, drawn.poured_s))
        drawn.fresh.insert(0, FreshWater(drawn.poured_s - early_s, fills_s, share))
        _keep_target(drawn, share)
    return drawn


def _keep_target(drawn: Handling, share: float) -> None:
    """Give more salt, for the fill thins what is there."""
    drawn.pours = [Pour(p.start_s, p.length_s, p.salinity * (1.0 + share)) for p in drawn.pours]
    drawn.start *= 1.0 + share
    drawn.start = min(drawn.start, 36.0)


def _vessel(faults: list[str], rng: Rng) -> tuple[Network, Network, float]:
    """Draw sump, near and far half: with the pump, without it, and the turnover in seconds."""
    sump = log_uniform(rng, 0.04, 0.3)
    near_half = rng.uniform(0.3, 0.7) * (1.0 - sump)
    volumes = np.array([sump, near_half, 1.0 - sump - near_half])
    turnover_s = duration_s(faults, rng, 50.0, 900.0)
    pumped = 1.0 / turnover_s
    around = np.zeros((3, 3))
    around[1, 0] = around[2, 1] = around[0, 2] = pumped
    across = exchanges(3, [(1, 2, pumped * log_uniform(rng, 0.3, 10.0))])
    probe = int(rng.choice([0, 1, 2, 2]))
    nook_s = duration_s(faults, rng, 5.0, 80.0)
    rests = stores.resting(faults, rng)
    seeps = exchanges(3, [(0, 1, pumped / rests), (1, 2, pumped / rests)])
    on = Network(volumes, around + across, probe, nook_s)
    still = Network(volumes, across / rests + seeps, probe, nook_s * rng.uniform(1.0, 5.0))
    return on, still, turnover_s
