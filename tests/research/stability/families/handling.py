"""What the keeper does with a batch: when salt and water come, and when the pump runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.research.stability.families.draws import (
    Flags,
    Floats,
    Rng,
    chance,
    duration_s,
    log_uniform,
)

STEP_S = 4.0
"""Step of all grids, seconds."""

LONGEST_S = 6.0 * 3600.0

PAUSE_S = 300.0
"""Portions with shorter pauses than this are one addition, seconds."""

NEVER_S = 1e9


@dataclass(frozen=True, slots=True)
class Pour:
    """Salt that comes at a steady rate.

    Attributes:
        start_s: When it begins.
        length_s: How long it lasts.
        salinity: What it brings to the water of the first filling.
    """

    start_s: float
    length_s: float
    salinity: float


@dataclass(frozen=True, slots=True)
class FreshWater:
    """Water that comes at a steady rate.

    Attributes:
        start_s: When it begins.
        length_s: How long it lasts.
        share: Its volume, of the first filling.
    """

    start_s: float
    length_s: float
    share: float


@dataclass(slots=True)
class Handling:
    """What is done with one batch.

    Attributes:
        litres: Volume.
        start: Salinity before salt comes.
        pours: Of salt, a second addition among them.
        off: When the pump stands, from and to, seconds.
        timer_s: Period of a pump that runs by a timer.
        timer_share: Share of the period in which it runs.
        fresh: Water added later.
        added_s: When something is added a second time; NaN when never.
        evaporation_per_h: Rise of salinity by evaporation at 35, 1/h.
    """

    litres: float
    start: float
    pours: list[Pour]
    off: list[tuple[float, float]] = field(default_factory=list)
    timer_s: float = NEVER_S
    timer_share: float = 1.0
    fresh: list[FreshWater] = field(default_factory=list)
    added_s: float = float("nan")
    evaporation_per_h: float = 0.0

    @property
    def poured_s(self) -> float:
        """When the first salt comes, seconds."""
        return self.pours[0].start_s


def grid() -> Floats:
    """Return the times of the longest record, seconds."""
    return np.arange(0.0, LONGEST_S, STEP_S)


Pouring = Callable[[float, float], list[Pour]]
"""Returns how salt comes, by when it begins and how much of it there is."""


def draw_handling(
    faults: list[str], rng: Rng, pace_s: float, pouring: Pouring | None = None
) -> Handling:
    """Draw what is done with a batch.

    Args:
        faults: Of the batch; those of the instrument are ignored.
        rng: Source of chance.
        pace_s: About how long dissolving and mixing take to come near the end by a factor e.
        pouring: How salt comes; in one to four portions when not given.
    """
    target = rng.uniform(28.0, 37.0)
    if "plateau below target" in faults:
        target *= rng.uniform(0.6, 0.95)
    start = log_uniform(rng, 0.005, 0.3)
    if "leftover water" in faults or chance(rng, 0.08):
        start = target * rng.uniform(0.05, 0.85)
    blank_s = rng.uniform(120.0, 1500.0)
    pour_s = duration_s(faults, rng, 10.0, 420.0)
    if "long pour" in faults:
        pour_s = log_uniform(rng, 420.0, 1800.0)
    portions = int(rng.integers(2, 5)) if chance(rng, 0.25) else 1
    drawn = Handling(
        log_uniform(rng, 10.0, 2000.0), start,
        pouring(blank_s, target - start) if pouring
        else in_portions(blank_s, pour_s, target - start, portions),
        evaporation_per_h=log_uniform(rng, 0.001, 0.015),
    )  # fmt: skip
    if "open vessel" in faults:
        drawn.evaporation_per_h = log_uniform(rng, 0.015, 0.06)
    pour_s = drawn.pours[-1].start_s + drawn.pours[-1].length_s - blank_s
    if "two additions" in faults:
        _add_again(drawn, rng)
    if "pump stops, restarts" in faults:
        _stop_pump(drawn, rng, blank_s + pour_s, pace_s)
    if "never pumped" in faults:
        ran_s = blank_s + rng.uniform(0.0, 1.2) * pour_s if chance(rng, 0.3) else 0.0
        drawn.off = [(ran_s, NEVER_S)]
    return drawn


def in_portions(start_s: float, length_s: float, salinity: float, portions: int) -> list[Pour]:
    """Return salt in so many equal portions, with pauses as long as the portions."""
    each = length_s / (2 * portions - 1)
    return [Pour(start_s + 2 * k * each, each, salinity / portions) for k in range(portions)]


def _add_again(drawn: Handling, rng: Rng) -> None:
    """Bring a second portion of salt, or fresh water."""
    last = drawn.pours[-1]
    drawn.added_s = last.start_s + last.length_s + log_uniform(rng, 300.0, 6000.0)
    if chance(rng, 0.7):
        again = log_uniform(rng, 0.3, 10.0)
        salt = sum(pour.salinity for pour in drawn.pours)
        kept = max(1.0 - again / salt, 0.3)
        drawn.pours = [Pour(p.start_s, p.length_s, p.salinity * kept) for p in drawn.pours]
        drawn.pours.append(Pour(drawn.added_s, log_uniform(rng, 5.0, 120.0), again))
    else:
        length_s, share = log_uniform(rng, 10.0, 600.0), log_uniform(rng, 0.01, 0.2)
        drawn.fresh.append(FreshWater(drawn.added_s, length_s, share))


def _stop_pump(drawn: Handling, rng: Rng, poured_s: float, pace_s: float) -> None:
    if chance(rng, 0.12):
        drawn.timer_s = log_uniform(rng, 240.0, 3600.0)
        drawn.timer_share = rng.uniform(0.3, 0.85)
        return
    off_s = poured_s + rng.uniform(0.3, 4.5) * pace_s
    on_s = off_s + log_uniform(rng, 300.0, 5400.0) if chance(rng, 0.75) else NEVER_S
    drawn.off = [(off_s, on_s)]
    if on_s < NEVER_S and chance(rng, 0.2):
        again_s = on_s + log_uniform(rng, 120.0, 1800.0)
        drawn.off.append((again_s, again_s + log_uniform(rng, 300.0, 3600.0)))


def running(drawn: Handling, t_s: Floats) -> Flags:
    """Return whether the pump runs."""
    runs = (t_s / drawn.timer_s) % 1.0 < drawn.timer_share
    for off_s, on_s in drawn.off:
        runs &= (t_s < off_s) | (t_s >= on_s)
    return np.asarray(runs)


def poured(drawn: Handling, t_s: Floats) -> Floats:
    """Return the salt that has come, in salinity of the first filling."""
    total = np.zeros(len(t_s))
    for pour in drawn.pours:
        total += pour.salinity * np.clip((t_s - pour.start_s) / pour.length_s, 0.0, 1.0)
    return total


def dilution(drawn: Handling, t_s: Floats) -> Floats:
    """Return by how much the fresh water added later lowers salinity, a factor."""
    volume = np.ones(len(t_s))
    for each in drawn.fresh:
        volume += each.share * np.clip((t_s - each.start_s) / each.length_s, 0.0, 1.0)
    return 1.0 / volume


def adding(drawn: Handling, t_s: Floats) -> Flags:
    """Return whether something is being added, short pauses between portions included."""
    spans = [(pour.start_s, pour.start_s + pour.length_s) for pour in drawn.pours]
    spans += [(each.start_s, each.start_s + each.length_s) for each in drawn.fresh]
    spans.sort()
    busy = np.zeros(len(t_s), bool)
    end_s = -NEVER_S
    for low_s, high_s in spans:
        since_s = end_s if low_s - end_s < PAUSE_S else low_s
        busy |= (t_s >= since_s - STEP_S) & (t_s <= high_s + STEP_S)
        end_s = max(end_s, high_s)
    return busy
