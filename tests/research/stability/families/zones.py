"""Family four: two or three zones above a heap that shrinks, cakes and is stirred up in gusts.

The heap dissolves by its surface; a gust lifts a part of it, which is then afloat, and sinks
again where the water rests.  What the pump moves between the zones wanders from minute to minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np

from tests.research.stability.families.draws import Floats, Rng, chance, duration_s, log_uniform
from tests.research.stability.families.handling import STEP_S, Handling, draw_handling
from tests.research.stability.families.layers import Grains, dissolve, pour
from tests.research.stability.families.mixture import Mixture
from tests.research.stability.families.stepping import Inputs, Steps, inputs

_SINKS_S = 60.0
"""Time in which grains afloat sink where the water rests, seconds."""

_AREA = 2.0 / 3.0
"""Power by which the surface of a heap goes with its mass."""


@dataclass(frozen=True, slots=True)
class Zones:
    """One vessel: bottom, main, and corner zone.

    Attributes:
        volumes: Shares of bottom, main and corner; a vessel of two zones has no corner.
        bottom_per_s: Exchange of bottom and main, share of the whole.
        corner_per_s: Exchange of main and corner.
        rests: By how much slower water at rest exchanges.
        wanders: How far the exchange wanders, as a power of e.
        wanders_s: And in what time.
        gusts_per_s: How often a gust comes while the pump runs.
        lifts: Share of the heap that a gust lifts, at most.
        cakes_s: Time in which the heap grows hard by a factor of 2.
        creep: Pace of dissolution at rest.
        probe: Zone of the probe.
        nook_s: Time in which water is renewed at the probe, seconds.
    """

    volumes: list[float]
    bottom_per_s: float
    corner_per_s: float
    rests: float
    wanders: float
    wanders_s: float
    gusts_per_s: float
    lifts: float
    cakes_s: float
    creep: float
    probe: int
    nook_s: float


def simulate(faults: list[str], rng: Rng) -> tuple[Mixture, float]:
    """Draw a vessel of this family and return its course, and its pace in seconds."""
    heap, afloat = _salt(faults, rng)
    exchange_s = duration_s(faults, rng, 12.0, 250.0)
    zones = _zones(faults, rng, exchange_s)
    pace = max(afloat.tau_s, exchange_s, heap.tau_s if heap.share > 0.4 else 0.0)
    drawn = draw_handling(faults, rng, pace)
    steps = _Vessel(zones, heap, afloat, drawn.start).follow(drawn, inputs(drawn), rng)
    return steps.mixture(drawn, np.array(zones.volumes)), pace


def _salt(faults: list[str], rng: Rng) -> tuple[Grains, Grains]:
    """Draw heap and grains afloat; a plain batch lies in a heap that goes soon, if at all."""
    share, heap_s = rng.uniform(0.0, 0.9), duration_s(faults, rng, 25.0, 350.0)
    grains_s = duration_s(faults, rng, 20.0, 300.0)
    if "slow dissolver" in faults:
        heap_s, grains_s = log_uniform(rng, 350.0, 1500.0), log_uniform(rng, 250.0, 1200.0)
    if "heap" in faults:
        share, heap_s = log_uniform(rng, 0.006, 0.4), log_uniform(rng, 400.0, 3000.0)
    order = float(rng.choice([0.67, 0.67, 1.0, 1.0, 0.85]))
    return Grains(share, heap_s, _AREA, True), Grains(1.0 - share, grains_s, order, False)


def _zones(faults: list[str], rng: Rng, exchange_s: float) -> Zones:
    bottom = rng.uniform(0.12, 0.45)
    corner = rng.uniform(0.05, 0.3) if chance(rng, 0.5) else 0.0
    main = 1.0 - bottom - corner
    volumes = [bottom, main, corner] if corner else [bottom, main]
    aside_s = duration_s(faults, rng, 30.0, 700.0)
    rests = log_uniform(rng, 30.0, 2000.0)
    if "never pumped" in faults and chance(rng, 0.35):
        rests = log_uniform(rng, 3.0, 30.0)
    gusty = log_uniform(rng, 60.0, 1500.0) if chance(rng, 0.7) else 1e9
    cakes_s = log_uniform(rng, 600.0, 6000.0) if chance(rng, 0.3) else 1e9
    return Zones(
        volumes, bottom * main / (bottom + main) / exchange_s, corner / aside_s, rests,
        log_uniform(rng, 0.05, 0.9), log_uniform(rng, 20.0, 400.0), 1.0 / gusty,
        rng.uniform(0.1, 0.9), cakes_s, 1.0 / log_uniform(rng, 2.0, 40.0),
        int(rng.choice([0, *([1] * 6), *([2] if corner else [1])])),
        duration_s(faults, rng, 5.0, 80.0),
    )  # fmt: skip


@dataclass(slots=True)
class _Vessel:
    """The state of one vessel."""

    zones: Zones
    heap: Grains
    afloat: Grains
    start: float

    def follow(self, drawn: Handling, given: Inputs, rng: Rng) -> Steps:
        """Follow the vessel step by step."""
        zones, out = self.zones, Steps()
        water = [self.start] * len(zones.volumes)
        nook = self.start
        out.append(water, nook, 0.0)
        wander = _wander(zones, len(given.runs), rng).tolist()
        gusts = _gusts(zones, len(given.runs), rng).tolist()
        renewed = 1.0 - exp(-STEP_S / zones.nook_s)
        hard = 1.0
        for k, (runs, salt) in enumerate(zip(given.runs, given.salt, strict=False)):
            water = list(water)
            grows = given.grows[k]
            if grows > 0.0:
                _thin(water, zones.volumes, grows)
            if salt > 0.0 or grows > 0.0:
                pour([self.heap, self.afloat], salt, grows)
            if salt > 0.0:
                hard = 1.0
            hard += STEP_S / zones.cakes_s
            self._move_grains(gusts[k] if runs else 0.0, runs=runs)
            pace = 1.0 if runs else zones.creep
            low = dissolve(self.heap, pace / hard, water[0])
            loose = dissolve(self.afloat, pace, water[0])
            into_low = loose * zones.volumes[0] if runs else loose * 0.8
            water[0] += (low + into_low) / zones.volumes[0]
            water[1] += (loose - into_low) / zones.volumes[1]
            _exchange(zones, water, wander[k] if runs else 1.0 / zones.rests)
            nook += (water[zones.probe] - nook) * (renewed if runs else renewed / 3.0)
            out.append(water, nook, self.heap.left + self.afloat.left)
            if out.enough(given):
                break
        return out

    def _move_grains(self, gust: float, *, runs: bool) -> None:
        """Lift a part of the heap, or let what is afloat sink."""
        if gust > 0.0:
            moved = gust * self.heap.left
        elif not runs:
            moved = -self.afloat.left * STEP_S / _SINKS_S
        else:
            return
        self.heap.left -= moved
        self.afloat.left += moved
        self.heap.whole = max(self.heap.whole, self.heap.left)
        self.afloat.whole = max(self.afloat.whole, self.afloat.left)


def _wander(zones: Zones, count: int, rng: Rng) -> Floats:
    """Return a factor of the exchange along the grid, of mean about 1."""
    every = max(1, int(zones.wanders_s / STEP_S / 6.0))
    keep = exp(-every * STEP_S / zones.wanders_s)
    kicks = rng.normal(size=count // every + 2)
    level, levels = 0.0, []
    for kick in kicks.tolist():
        level = level * keep + kick * sqrt(1.0 - keep**2)
        levels.append(level)
    smooth = np.interp(np.arange(count), np.arange(len(levels)) * every, levels)
    return np.asarray(np.exp(zones.wanders * np.clip(smooth, -2.5, 2.5)))


def _gusts(zones: Zones, count: int, rng: Rng) -> Floats:
    """Return the share of the heap that is lifted in each step."""
    come = rng.random(count) < STEP_S * zones.gusts_per_s
    return np.asarray(come * rng.uniform(0.0, zones.lifts, count))


def _thin(water: list[float], volumes: list[float], grows: float) -> None:
    """Let fresh water come into the main zone; all zones grow by their shares."""
    main = volumes[1]
    takes = grows * (1.0 - main)  # that goes from the main zone to the others as they grow
    kept = water[1] * (main - takes) / (main * (1.0 + grows))
    for k in (0, *range(2, len(volumes))):
        water[k] = (water[k] + grows * water[1]) / (1.0 + grows)
    water[1] = kept


def _exchange(zones: Zones, water: list[float], factor: float) -> None:
    """Exchange bottom and main, then main and corner, each exactly."""
    volumes = zones.volumes
    _swap(water, 0, volumes[0], volumes[1], zones.bottom_per_s * factor)
    if len(volumes) > 2:
        _swap(water, 2, volumes[2], volumes[1], zones.corner_per_s * factor)


def _swap(water: list[float], part: int, size: float, main: float, rate_per_s: float) -> None:
    mean = (water[part] * size + water[1] * main) / (size + main)
    stays = exp(-rate_per_s * STEP_S * (1.0 / size + 1.0 / main))
    water[part] = mean + (water[part] - mean) * stays
    water[1] = mean + (water[1] - mean) * stays
