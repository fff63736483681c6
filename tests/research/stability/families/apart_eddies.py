"""Held-out family: a column of water that single eddies mix, by chance.

Cells lie one above the other.  Eddies come at random, at random heights and of random size,
and mix what they span, the less often the more it is stratified: the pump's are large and
strong, those of thermal convection small and weak, and how often they come wanders by
itself.  Salt lies on the bottom and dissolves into the lowest cell, faster for a while after an
eddy has touched it; grains afloat dissolve and sink.  A film of water surrounds the probe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.research.stability.families.apart_plan import (
    STEP_S,
    Course,
    Floats,
    Plan,
    Rng,
    grid_s,
    log_uniform,
    motion,
)

_CELLS = 12
_SATURATED = 350.0
_STIRRED_S = 25.0
_MOST_AT_ONCE = 6


@dataclass(frozen=True, slots=True)
class Weather:
    """What is drawn of the column.

    Attributes:
        every_s: Time between eddies of the pump, in the mean.
        strong: Difference of salinity that half of these overcome.
        convects_s: Time between eddies of convection.
        weak: Difference of salinity that half of these overcome.
        wanders: How much the rates change, as a logarithm.
        wanders_s: Within which time.
        sinks_s: How long grains stay afloat in still water.
        still_rate: How fast salt on the bottom dissolves with no eddy about, as a share.
        probe_at: Cell of the probe, 0 the lowest.
        film_s: How long the water about the probe takes to change.
        sneaks: Exchange of neighbouring cells without any eddy, 1/s.
    """

    every_s: float
    strong: float
    convects_s: float
    weak: float
    wanders: float
    wanders_s: float
    sinks_s: float
    still_rate: float
    probe_at: int
    film_s: float
    sneaks: float


def weather(drawn: Plan, rng: Rng) -> Weather:
    """Draw the column of a batch."""
    return Weather(
        every_s=drawn.turnover_s * rng.uniform(0.05, 0.2),
        strong=log_uniform(rng, 4.0, 60.0),
        convects_s=log_uniform(rng, 8.0, 60.0),
        weak=log_uniform(rng, 0.3, 6.0),
        wanders=rng.uniform(0.0, 0.8),
        wanders_s=log_uniform(rng, 200.0, 3000.0),
        sinks_s=log_uniform(rng, 40.0, 400.0),
        still_rate=log_uniform(rng, 0.05, 0.4),
        probe_at=int(rng.integers(3, _CELLS)) if rng.random() < 0.9 else 1,
        film_s=log_uniform(rng, 4.0, 40.0),
        sneaks=log_uniform(rng, 1e-5, 3e-4),
    )


class _Column:
    """State of the column; salt is in units of salinity over all water."""

    def __init__(self, drawn: Plan, air: Weather, rng: Rng) -> None:
        self.drawn, self.air, self.rng = drawn, air, rng
        self.cells = np.full(_CELLS, drawn.blank)
        self.probe = drawn.blank
        self.whole = self.bucket = drawn.target - drawn.blank
        self.afloat = self.bed = self.heap = 0.0
        self.touched_s = -1e6
        self.mood = float(rng.normal())

    def step(self, t_s: float, moves: float) -> None:
        """Advance by one step from a time, the water moving so strongly."""
        drawn, air = self.drawn, self.air
        if drawn.poured_s <= t_s and self.bucket > 0.0:
            some = min(self.bucket, self.whole * STEP_S / drawn.pour_s)
            self.bucket -= some
            self.bed += some * drawn.bed * (1.0 - drawn.heap)
            self.heap += some * drawn.heap
            self.afloat += some * (1.0 - drawn.bed) * (1.0 - drawn.heap)
        if drawn.second_s <= t_s < drawn.second_s + STEP_S:
            self._add()
        self._dissolve(t_s, moves)
        sneaks = air.sneaks * STEP_S * np.diff(self.cells)
        self.cells[:-1] += sneaks
        self.cells[1:] -= sneaks
        self._stir(t_s, moves)
        near = float(self.cells[air.probe_at])
        film_s = air.film_s / (0.3 + 0.7 * moves)
        self.probe += (near - self.probe) * -np.expm1(-STEP_S / film_s)
        grown = 1.0 + drawn.evaporates_per_h * STEP_S / 3600.0
        self.cells *= grown
        self.probe *= grown

    def _add(self) -> None:
        """Pour salt, or fresh water onto the uppermost cells."""
        drawn = self.drawn
        less = 1.0 / (1.0 + drawn.second_water)
        self.cells[-2:] -= (1.0 - less) * self.mean() * _CELLS / 2.0
        self.afloat, self.bed, self.heap = less * self.afloat, less * self.bed, less * self.heap
        self.bucket *= less
        self.afloat += 0.75 * drawn.second_salt
        self.bed += 0.25 * drawn.second_salt

    def _dissolve(self, t_s: float, moves: float) -> None:
        drawn, air = self.drawn, self.air
        lacks = min(max(1.0 - float(self.cells[0]) / _SATURATED, 0.0), 1.0)
        stirred = air.still_rate + np.exp(-(t_s - self.touched_s) / _STIRRED_S) * (0.4 + moves)
        bed = self.bed * -np.expm1(-STEP_S * stirred * lacks / (1.5 * drawn.grain_s))
        heap = self.heap * -np.expm1(-STEP_S * stirred * lacks / drawn.heap_s)
        self.bed, self.heap = self.bed - bed, self.heap - heap
        self.cells[0] += (bed + heap) * _CELLS
        if self.afloat > 0.0:
            level = min(self.afloat / self.whole, 1.0)
            rate = self.whole / drawn.grain_s * level**drawn.order
            gone = min(rate * (0.4 + 0.6 * moves) * STEP_S, self.afloat)
            self.afloat -= gone
            self.cells += gone
            sinks = self.afloat * max(0.0, 1.0 - moves) * STEP_S / air.sinks_s
            self.afloat, self.bed = self.afloat - sinks, self.bed + sinks

    def _stir(self, t_s: float, moves: float) -> None:
        """Let the eddies of one step come."""
        air, rng = self.air, self.rng
        self.mood += -self.mood * STEP_S / air.wanders_s
        self.mood += float(rng.normal()) * (2.0 * STEP_S / air.wanders_s) ** 0.5
        gust = float(np.exp(air.wanders * self.mood))
        pumped = rng.poisson(gust * moves * STEP_S / air.every_s)
        for _ in range(min(pumped, _MOST_AT_ONCE)):
            self._eddy(t_s, int(rng.integers(3, _CELLS + 1)), air.strong * max(moves, 0.02))
        for _ in range(min(rng.poisson(gust * STEP_S / air.convects_s), _MOST_AT_ONCE)):
            self._eddy(t_s, int(rng.integers(2, 6)), air.weak)

    def _eddy(self, t_s: float, span: int, overcomes: float) -> None:
        """Mix some cells, unless they are too stratified for it."""
        low = int(self.rng.integers(0, _CELLS - span + 1))
        part = self.cells[low : low + span]
        half = span // 2
        stable = max(0.0, float(part[:half].mean() - part[-half:].mean()))
        if self.rng.random() > 1.0 / (1.0 + (stable / overcomes) ** 2):
            return
        part += self.rng.uniform(0.3, 1.0) * (part.mean() - part)
        if low == 0:
            self.touched_s = t_s

    def mean(self) -> float:
        """Return the salinity of all water, mixed."""
        return float(self.cells.mean())

    def left(self) -> float:
        """Return the salt that is not dissolved."""
        return self.bucket + self.afloat + self.bed + self.heap


def eddies(drawn: Plan, rng: Rng) -> Course:
    """Return what the water of a column does."""
    t_s = grid_s()
    state = _Column(drawn, weather(drawn, rng), rng)
    salinity, mean, left, spread = (np.empty(len(t_s)) for _ in range(4))
    for k, (now_s, moves) in enumerate(zip(t_s.tolist(), motion(drawn, t_s).tolist(), strict=True)):
        state.step(now_s, moves)
        salinity[k], mean[k], left[k] = state.probe, state.mean(), state.left()
        spread[k] = _apart(state.cells, mean[k])
    return Course(salinity, mean, left, np.maximum(spread, np.abs(salinity - mean)))


def _apart(cells: Floats, mean: float) -> float:
    """Return how far any cell is from the mean."""
    return max(float(cells.max()) - mean, mean - float(cells.min()))
