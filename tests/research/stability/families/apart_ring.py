"""Held-out family: water that a pump drives round a loop, with dispersion.

Salinity along the loop obeys dc/dt = -u dc/dx + D d2c/dx2 + sources on a ring of length 1.
Grains afloat dissolve everywhere, a bed and a heap at one place, at a rate that the water there
slows as it nears saturation; a side pocket exchanges water at another place.  The probe hangs
somewhere in the loop, or in the pocket.  The equation is solved exactly in Fourier modes from
one step to the next; the sources are bell-shaped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.research.stability.families.apart_plan import (
    STEP_S,
    Course,
    Plan,
    Rng,
    grid_s,
    log_uniform,
    motion,
)

Modes = npt.NDArray[np.complex128]

_MODES = 9
_PLACES = 20
_WIDTH = 0.07
_SATURATED = 350.0
_LEAST_POCKET = 1e-9


@dataclass(frozen=True, slots=True)
class Loop:
    """What is drawn of the loop.

    Attributes:
        peclet: Turnovers that dispersion takes over the whole length, about.
        still_flow: Flow while nothing moves the water, as a share.
        still_spread: Dispersion then, as a share.
        still_rate: How fast the bed dissolves then, as a share.
        settle_s: How long grains stay afloat in still water.
        bed_at: Where the bed lies, 0 to 1.
        probe_at: Where the probe hangs.
        in_pocket: Whether it hangs in the pocket.
        pocket: Volume of the pocket, as a share of that of the loop.
        pocket_at: Where it opens.
        pocket_s: How long its water takes to change.
    """

    peclet: float
    still_flow: float
    still_spread: float
    still_rate: float
    settle_s: float
    bed_at: float
    probe_at: float
    in_pocket: bool
    pocket: float
    pocket_at: float
    pocket_s: float


def loop(drawn: Plan, rng: Rng) -> Loop:
    """Draw the loop of a batch."""
    has_pocket = rng.random() < 0.5
    return Loop(
        peclet=log_uniform(rng, 3.0, 40.0),
        still_flow=log_uniform(rng, 0.002, 0.03),
        still_spread=log_uniform(rng, 0.005, 0.05),
        still_rate=log_uniform(rng, 0.03, 0.3),
        settle_s=log_uniform(rng, 30.0, 300.0),
        bed_at=rng.random(),
        probe_at=rng.random(),
        in_pocket=bool(has_pocket and rng.random() < 0.3),
        pocket=log_uniform(rng, 0.01, 0.2) if has_pocket else _LEAST_POCKET,
        pocket_at=rng.random(),
        pocket_s=drawn.turnover_s * log_uniform(rng, 0.5, 4.0),
    )


class _Ring:
    """State of the loop; salt is in units of salinity over all water, the pocket's included."""

    def __init__(self, drawn: Plan, shape: Loop) -> None:
        self.drawn, self.shape = drawn, shape
        self.wave = 2.0 * np.pi * np.arange(1, _MODES + 1)
        self.level, self.modes = drawn.blank, np.zeros(_MODES, complex)
        self.pocket = drawn.blank
        self.share = 1.0 / (1.0 + shape.pocket)
        bell = np.exp(-0.5 * (self.wave * _WIDTH) ** 2)
        self.at_bed, self.at_pocket, self.at_top = (
            bell * np.exp(-1j * self.wave * place)
            for place in (shape.bed_at, shape.pocket_at, (shape.bed_at + 0.4) % 1.0)
        )
        places = np.arange(_PLACES) / _PLACES
        self.look = np.exp(1j * np.outer(places, self.wave))
        self.look_probe = np.exp(1j * self.wave * shape.probe_at)
        self.look_bed = np.conj(self.at_bed)
        self.look_pocket = np.conj(self.at_pocket)
        self.bucket = drawn.target - drawn.blank
        self.whole = self.bucket
        self.again = 0.0
        self.afloat = self.bed = self.heap = 0.0

    def step(self, t_s: float, moves: float) -> None:
        """Advance by one step from a time, the water moving so strongly."""
        drawn, shape = self.drawn, self.shape
        if drawn.poured_s <= t_s and self.bucket > 0.0:
            self._pour(min(self.bucket, self.whole * STEP_S / drawn.pour_s))
        if drawn.second_s <= t_s < drawn.second_s + STEP_S:
            self._add()
        if self.again > 0.0:
            some = min(self.again, drawn.second_salt * STEP_S / 30.0)
            self.again -= some
            self.afloat += 0.7 * some
            self.bed += 0.3 * some
        self._dissolve(moves)
        self._exchange(moves)
        flow = (moves + shape.still_flow) / drawn.turnover_s
        spread = (moves + shape.still_spread) / drawn.turnover_s / shape.peclet
        self.modes = self.modes * np.exp(-STEP_S * (spread * self.wave**2 + 1j * flow * self.wave))
        grown = 1.0 + drawn.evaporates_per_h * STEP_S / 3600.0
        self.level, self.modes, self.pocket = (
            self.level * grown, self.modes * grown, self.pocket * grown,
        )  # fmt: skip

    def _pour(self, some: float) -> None:
        drawn = self.drawn
        self.bucket -= some
        self.bed += some * drawn.bed * (1.0 - drawn.heap)
        self.heap += some * drawn.heap
        self.afloat += some * (1.0 - drawn.bed) * (1.0 - drawn.heap)

    def _add(self) -> None:
        """Add salt, or a gush of fresh water at one place."""
        drawn = self.drawn
        self.again += drawn.second_salt
        less = 1.0 / (1.0 + drawn.second_water)
        lost = (1.0 - less) * self.mean()
        self.afloat, self.bed, self.heap = less * self.afloat, less * self.bed, less * self.heap
        self.bucket *= less
        self._source(-lost, self.at_top)

    def _source(self, amount: float, where: Modes) -> None:
        """Put salt, as salinity over all water, into the loop at a place."""
        self.level += amount / self.share
        self.modes = self.modes + where * (amount / self.share)

    def _dissolve(self, moves: float) -> None:
        drawn, shape = self.drawn, self.shape
        local = self.level + 2.0 * float((self.look_bed @ self.modes).real)
        lacks = min(max(1.0 - local / _SATURATED, 0.0), 1.0)
        stirred = moves**0.6 + shape.still_rate
        bed = _gone(self.bed, self.whole * max(drawn.bed, 0.1), 1.5 * drawn.grain_s, drawn.order)
        heap = _gone(self.heap, self.whole * max(drawn.heap, 1e-3), drawn.heap_s, drawn.order)
        bed, heap = min(bed * stirred * lacks, self.bed), min(heap * stirred * lacks, self.heap)
        self.bed, self.heap = self.bed - bed, self.heap - heap
        self._source(bed + heap, self.at_bed)
        afloat = _gone(self.afloat, self.whole, drawn.grain_s, drawn.order)
        afloat = min(afloat * (0.3 + 0.7 * moves), self.afloat)
        self.afloat -= afloat
        self.level += afloat / self.share
        sinks = self.afloat * max(0.0, 1.0 - moves) * STEP_S / shape.settle_s
        self.afloat, self.bed = self.afloat - sinks, self.bed + sinks

    def _exchange(self, moves: float) -> None:
        shape = self.shape
        outside = self.level + 2.0 * float((self.look_pocket @ self.modes).real)
        rate = (moves + shape.still_spread) / shape.pocket_s
        comes = (outside - self.pocket) * -np.expm1(-rate * STEP_S)
        self.pocket += comes
        self._source(-comes * shape.pocket * self.share, self.at_pocket)

    def mean(self) -> float:
        """Return the salinity of all water, mixed."""
        return self.share * (self.level + self.shape.pocket * self.pocket)

    def left(self) -> float:
        """Return the salt that is not dissolved."""
        return self.bucket + self.afloat + self.bed + self.heap + self.again

    def at_probe(self) -> float:
        """Return salinity at the probe."""
        if self.shape.in_pocket:
            return self.pocket
        return max(self.level + 2.0 * float((self.look_probe @ self.modes).real), 0.0)

    def spread(self) -> float:
        """Return how far any part is from the mean."""
        mean = self.mean()
        ring = self.level - mean + 2.0 * (self.look @ self.modes).real
        apart = float(np.abs(ring).max())
        return max(apart, abs(self.pocket - mean) if self.shape.pocket > _LEAST_POCKET else 0.0)


def _gone(mass: float, whole: float, tau_s: float, order: float) -> float:
    """Return what dissolves of a store in a step."""
    if mass <= 0.0:
        return 0.0
    level: float = min(mass / whole, 1.0) ** order
    return whole / tau_s * level * STEP_S


def ring(drawn: Plan, rng: Rng) -> Course:
    """Return what the water of a loop does."""
    t_s = grid_s()
    state = _Ring(drawn, loop(drawn, rng))
    salinity, mean, left, spread = (np.empty(len(t_s)) for _ in range(4))
    for k, (now_s, moves) in enumerate(zip(t_s.tolist(), motion(drawn, t_s).tolist(), strict=True)):
        state.step(now_s, moves)
        salinity[k], mean[k] = state.at_probe(), state.mean()
        left[k], spread[k] = state.left(), state.spread()
    return Course(salinity, mean, left, np.maximum(spread, np.abs(salinity - mean)))
