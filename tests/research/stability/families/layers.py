"""Family three: a column of layers whose turbulence is damped where heavy water lies below.

The pump draws at one height and returns at another as a jet, which stirs what is near.
Salt that sinks makes a brine on the bottom, which is eroded from above.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi

import numpy as np

from tests.research.stability.families.draws import Rng, chance, duration_s, log_uniform
from tests.research.stability.families.handling import (
    STEP_S,
    FreshWater,
    Handling,
    draw_handling,
)
from tests.research.stability.families.mixture import Mixture
from tests.research.stability.families.stepping import Inputs, Steps, inputs
from tests.research.stability.families.stores import draw_salt

_SATURATED = 330.0
"""Salinity at which no more salt dissolves, about."""

_OVERTURNS_PER_S = 0.3
"""Exchange of a layer with a lighter one below it, 1/s."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column, layers from the bottom up.

    Attributes:
        layers: How many, all of one volume.
        stirs_per_s: Exchange at each interface while the pump runs, in volumes of a layer.
        rests: By how much slower water at rest exchanges.
        damps_at: Step of salinity between layers that halves the exchange.
        path: Layers that the pumped water goes through, from the return to the inlet.
        through: Volumes of a layer that the pump moves in a step.
        probe: Layer of the probe.
        nook_s: Time in which water is renewed at the probe, seconds.
        falls: Share of the salt that dissolves on its way down while the pump runs.
        falls_at_rest: The same while it stands.
        creep: Pace of dissolution at rest.
    """

    layers: int
    stirs_per_s: list[float]
    rests: float
    damps_at: float
    path: list[int]
    through: float
    probe: int
    nook_s: float
    falls: float
    falls_at_rest: float
    creep: float


@dataclass(slots=True)
class Grains:
    """A store of salt that dissolves by a power of what is left."""

    share: float
    tau_s: float
    order: float
    lies: bool
    whole: float = 0.0
    left: float = 0.0


def draw_grains(faults: list[str], rng: Rng) -> list[Grains]:
    """Draw stores that dissolve by orders between a half and one and a bit."""
    return [
        Grains(
            each.share, each.tau_s, float(rng.choice([0.5, 0.67, 0.67, 0.85, 1.0, 1.0, 1.1])),
            each.lies,
        )
        for each in draw_salt(faults, rng)
    ]  # fmt: skip


def pour(grains: list[Grains], salt: float, grows: float) -> None:
    """Add salt to all stores by their shares, and thin what is there by fresh water."""
    for each in grains:
        each.left = each.left / (1.0 + grows) + each.share * salt
        each.whole = max(each.whole / (1.0 + grows), each.left, 1e-9)


def dissolve(each: Grains, pace: float, around: float) -> float:
    """Return what dissolves of a store in a step, at a pace, into water of some salinity."""
    if each.left <= 0.0:
        return 0.0
    level = min(each.left / each.whole, 1.0)
    rate: float = each.whole / each.tau_s * level**each.order
    gained = min(rate * pace * max(1.0 - around / _SATURATED, 0.0) * STEP_S, each.left)
    each.left -= gained
    return gained


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    grains = draw_grains(faults, rng)
    mixing_s = duration_s(faults, rng, 12.0, 200.0)
    column = _column(faults, rng, mixing_s)
    pace = max([each.tau_s for each in grains if not each.lies] + [mixing_s])
    drawn = draw_handling(faults, rng, pace)
    drawn.fresh = [FreshWater(w.start_s, max(w.length_s, 40.0), w.share) for w in drawn.fresh]
    steps = _follow(column, grains, drawn, inputs(drawn))
    return steps.mixture(drawn, np.full(column.layers, 1.0 / column.layers)), pace


def _column(faults: list[str], rng: Rng, mixing_s: float) -> Column:
    layers = int(rng.integers(4, 9))
    jet, inlet = int(rng.integers(layers)), int(rng.integers(layers))
    reach = log_uniform(rng, 1.0, 10.0)
    shape = [0.15 + exp(-abs(k + 0.5 - jet) / reach) for k in range(layers - 1)]
    stirs = layers**2 / pi**2 / mixing_s
    way = 1 if inlet >= jet else -1
    turnover_s = log_uniform(rng, 120.0, 2400.0)
    rests = log_uniform(rng, 30.0, 3000.0)
    if "never pumped" in faults and chance(rng, 0.35):
        rests = log_uniform(rng, 4.0, 30.0)
    damps_at = log_uniform(rng, 2.0 if "clean" in faults else 0.3, 20.0)
    return Column(
        layers, [stirs * each / max(shape) for each in shape], rests, damps_at,
        list(range(jet, inlet + way, way)), min(STEP_S * layers / turnover_s, 0.5),
        int(rng.integers(layers)), duration_s(faults, rng, 5.0, 80.0), rng.uniform(0.1, 1.0),
        rng.uniform(0.05, 0.7), 1.0 / log_uniform(rng, 2.0, 40.0),
    )  # fmt: skip


def _follow(column: Column, grains: list[Grains], drawn: Handling, given: Inputs) -> Steps:
    """Follow the column step by step."""
    water = [drawn.start] * column.layers
    nook, out = drawn.start, Steps()
    out.append(water, nook, 0.0)
    renewed = 1.0 - exp(-STEP_S / column.nook_s)
    renewed_at_rest = 1.0 - exp(-STEP_S / column.nook_s / 3.0)
    for runs, salt, grows in zip(given.runs, given.salt, given.grows, strict=False):
        water = list(water)
        if grows > 0.0:
            _rise(water, grows)
        if salt > 0.0 or grows > 0.0:
            pour(grains, salt, grows)
        _dissolve(column, grains, water, runs=runs)
        if runs and len(column.path) > 1:
            _pump(column, water)
        _exchange(column, water, runs=runs)
        nook += (water[column.probe] - nook) * (renewed if runs else renewed_at_rest)
        out.append(water, nook, sum([each.left for each in grains]))
        if out.enough(given):
            break
    return out


def _rise(water: list[float], grows: float) -> None:
    """Let fresh water come on top: each layer takes in some of the one above it."""
    top = len(water) - 1
    for k in range(top):
        water[k] = (water[k] * (1.0 - k * grows) + (k + 1) * grows * water[k + 1]) / (1.0 + grows)
    water[top] = water[top] * (1.0 - top * grows) / (1.0 + grows)


def _dissolve(column: Column, grains: list[Grains], water: list[float], *, runs: bool) -> None:
    pace = 1.0 if runs else column.creep
    afloat = lying = 0.0
    for each in grains:
        if each.lies:
            lying += dissolve(each, pace, water[0])
        else:
            afloat += dissolve(each, pace, water[0])
    gained = afloat + lying
    if gained > 0.0:
        spread = afloat * (column.falls if runs else column.falls_at_rest)
        water[0] += (gained - spread) * column.layers
        for k in range(column.layers):
            water[k] += spread


def _pump(column: Column, water: list[float]) -> None:
    """Take water at the inlet, and push as much through each layer from the return on."""
    arrives = water[column.path[-1]]
    for k in column.path:
        leaves = water[k]
        water[k] += (arrives - leaves) * column.through
        arrives = leaves


def _exchange(column: Column, water: list[float], *, runs: bool) -> None:
    """Exchange neighbours, implicit in time, so that any step is stable; salt is kept."""
    top = len(water) - 1
    if water[0] == water[top] and max(water) == min(water):
        return
    slower = STEP_S if runs else STEP_S / column.rests
    links = []
    for k in range(top):
        steeper = water[k] - water[k + 1]
        if steeper >= 0.0:
            links.append(column.stirs_per_s[k] * slower / (1.0 + steeper / column.damps_at))
        else:
            links.append(column.stirs_per_s[k] * slower + _OVERTURNS_PER_S * STEP_S)
    down, below = 0.0, 0.0
    ratios: list[float] = []
    values: list[float] = []
    for k in range(top + 1):
        up = links[k] if k < top else 0.0
        pivot = 1.0 + down + up - down * below
        value = (water[k] + (down * values[-1] if k else 0.0)) / pivot
        below = up / pivot
        ratios.append(below)
        values.append(value)
        down = up
    last = values[top]
    water[top] = last
    for k in range(top - 1, -1, -1):
        last = values[k] + ratios[k] * last
        water[k] = last
