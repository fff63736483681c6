"""What a family computes, and the record of the water that is cut from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.research.stability.families.draws import Flags, Floats, Rng, chance
from tests.research.stability.families.handling import LONGEST_S, STEP_S, Handling, adding
from tests.research.stability.families.heat import temperature

NEAR = 0.1
"""Largest difference between parts, and of the probe from the final value, salinity."""

UNDISSOLVED = 0.08
"""Undissolved salt that still counts as all dissolved, salinity."""

_SHORTEST_TAIL_S = 35.0 * 60.0
_LONGEST_TAIL_S = 100.0 * 60.0


@dataclass(frozen=True, slots=True)
class Water:
    """What really happens in one vessel, along a grid.

    Attributes:
        step_s: Step of the grid, seconds.
        salinity: Of the water at the probe.
        final: Where it is heading, with the salt and water added so far.
        over: Whether mixing is over until something is added: dissolved, homogeneous, and
            the water at the probe near its final salinity.
        flowing: Whether the pump runs.
        temperature_C: Of the water.
        poured_s: When the first salt came; not above 0 when the record begins later.
        added_s: When something was added again; NaN when never within the record.
        with_blank: Whether the record begins before salt came.
    """

    step_s: float
    salinity: Floats
    final: Floats
    over: Flags
    flowing: Flags
    temperature_C: Floats
    poured_s: float
    added_s: float
    with_blank: bool


@dataclass(frozen=True, slots=True)
class Mixture:
    """The course of one vessel without evaporation, in salinity of the whole.

    Attributes:
        handling: What was done.
        parts: [time, part]: salinity.
        volumes: [part] or [time, part]: shares of the whole.
        probe: Salinity of the water at the probe.
        undissolved: Salt that is not dissolved.
        final: All salt.
        runs: Whether the pump runs.
    """

    handling: Handling
    parts: Floats
    volumes: Floats
    probe: Floats
    undissolved: Floats
    final: Floats
    runs: Flags


def over(mixture: Mixture, t_s: Floats, evaporated: Floats) -> Flags:
    """Return where mixing is over and stays so until something is added."""
    busy = adding(mixture.handling, t_s)
    spread = mixture.parts.max(axis=1) - mixture.parts.min(axis=1)
    good = (
        (mixture.undissolved < UNDISSOLVED)
        & (spread * evaporated < NEAR)
        & (np.abs(mixture.probe - mixture.final) * evaporated < NEAR)
        & (t_s > mixture.handling.poured_s)
    )
    last_bad = np.where(good | busy, -1, np.arange(len(t_s)))
    ends = np.append(np.flatnonzero(busy[1:] & ~busy[:-1]) + 1, len(t_s))
    out = np.zeros(len(t_s), bool)
    low = 0
    for high in ends.tolist():
        out[max(low, int(last_bad[low:high].max(initial=-1)) + 1) : high] = True
        low = high
    return np.asarray(out & good & ~busy)


def record(mixture: Mixture, faults: list[str], rng: Rng, pace_s: float) -> Water:
    """Cut the record of the water from the course of a vessel.

    Most go on for 35 to 100 min after mixing is over; some begin in the middle of things.
    """
    handling = mixture.handling
    t_s = np.arange(len(mixture.probe), dtype=np.float64) * STEP_S
    evaporated = 1.0 + handling.evaporation_per_h / 35.0 * t_s / 3600.0
    done = over(mixture, t_s, evaporated)
    warm = temperature(faults, handling, rng, t_s)
    begin_s, with_blank = 0.0, not chance(rng, 0.25)
    pours_s = handling.pours[0].length_s
    if not with_blank:
        begin_s = handling.poured_s + rng.uniform(-5.0, 30.0)
        if chance(rng, 0.5):
            begin_s = handling.poured_s + rng.uniform(0.3, 3.0) * (pours_s + 0.3 * pace_s)
    bad = np.flatnonzero(~done)
    after_s = float(t_s[bad[-1]]) + STEP_S if len(bad) else 0.0
    if after_s < t_s[-1] - _SHORTEST_TAIL_S:
        end_s = after_s + rng.uniform(_SHORTEST_TAIL_S, _LONGEST_TAIL_S)
    else:
        end_s = handling.poured_s + rng.uniform(5400.0, 16_000.0)
    last_s = max((p.start_s + p.length_s for p in handling.pours), default=0.0)
    end_s = min(max(end_s, last_s + 3000.0), LONGEST_S)
    low, high = int(max(begin_s, 0.0) / STEP_S), int(end_s / STEP_S)
    cut = slice(low, max(high, low + 600))
    added_s = handling.added_s - low * STEP_S
    if not 0.0 <= added_s < len(t_s[cut]) * STEP_S:
        added_s = float("nan")
    return Water(
        STEP_S, (mixture.probe * evaporated)[cut], (mixture.final * evaporated)[cut], done[cut],
        mixture.runs[cut], warm[cut], handling.poured_s - low * STEP_S,
        added_s, with_blank,
    )  # fmt: skip
