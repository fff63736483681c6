"""The noise of a probe and the steps it speaks in, from its own readings.

Noise is what three readings in a row leave of a straight course: a drift of the water, however
long, is none.  It is found in blocks; the least of the last ones is that of the instrument, what
plumes and bubbles add comes and goes.  Values that all repeat tell nothing: a probe that is stuck
must not lower its own noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi, sqrt
from statistics import median

BLOCK = 30
"""Triples of readings in a block: the deviation is known to about 15 %."""
BLOCKS_KEPT = 8
USUAL_AFTER = 15
"""Blocks of steady water before the usual noise counts as known."""
USUAL_STEP = 1.05
LEAST_TAUGHT = 0.5
"""Of the usual noise; a block with less may be the beginning of a weak signal, and teaches none."""
PER_TRIPLE = sqrt(2.0 / pi) * sqrt(6.0)
"""Mean of |x0 - 2 x1 + x2| over the standard deviation of Gaussian x."""
NO_STEP = 1e-9
"""Less is the rounding of floating point, no step of an instrument."""


@dataclass(slots=True)
class Channel:
    """Noise and steps of one quantity.

    Attributes:
        last: Value of the last reading; None before any.
        before: Of the one before.
        bends: Sum of the bends of the present block.
        small: Least step of the present block; None before any.
        deviations: Standard deviation of each of the last blocks.
        steps: Least step of each of the last blocks that had one.
        usual: Deviation of a typical block of steady water; None before one.
        usual_of: How many blocks that is of.
    """

    last: float | None = None
    before: float | None = None
    bends: float = 0.0
    small: float | None = None
    deviations: list[float] = field(default_factory=list)
    steps: list[float] = field(default_factory=list)
    usual: float | None = None
    usual_of: int = 0

    @property
    def least(self) -> float | None:
        """Least deviation of the last blocks; None before one."""
        return min(self.deviations, default=None)

    @property
    def typical(self) -> float | None:
        """Median deviation of the last blocks; None before one."""
        return median(self.deviations) if self.deviations else None

    @property
    def step(self) -> float | None:
        """Least step of the last blocks; None where nothing moved."""
        return min(self.steps, default=None)

    @property
    def known_usual(self) -> float | None:
        """The usual noise; None before it is known, and where the steps hide it."""
        if self.usual is None or self.usual_of < USUAL_AFTER:
            return None
        step = self.step
        return None if step is not None and self.usual < step else self.usual


@dataclass(slots=True)
class NoiseState:
    """Noise of what one probe gives.

    Attributes:
        conductivity: In mS/cm, of salt water alone.
        temperature: In °C.
        salinity: Practical salinity.
        triples: In the present block.
    """

    conductivity: Channel = field(default_factory=Channel)
    temperature: Channel = field(default_factory=Channel)
    salinity: Channel = field(default_factory=Channel)
    triples: int = 0

    @property
    def known(self) -> bool:
        """Whether there was a block."""
        return bool(self.salinity.deviations)


def add(
    state: NoiseState, values: tuple[float, float, float], *, steady: bool, learning: bool
) -> None:
    """Take one reading of salt water.

    Args:
        state: Changed in place.
        values: Conductivity in mS/cm, temperature in °C, practical salinity.
        steady: Whether the water is at rest, so that the usual noise can be learned.
        learning: Whether the signal is sound as far as known; a weak one teaches nothing.
    """
    conductivity, temperature, salinity = values
    _follow(state.conductivity, conductivity)
    _follow(state.temperature, temperature)
    _follow(state.salinity, salinity)
    if state.salinity.before is None:
        return
    state.triples += 1
    if state.triples >= BLOCK:
        _close(state, steady=steady and learning)


def _follow(channel: Channel, value: float) -> None:
    """Take one value: its step from the last one, and what it bends of their course."""
    last, before = channel.last, channel.before
    if last is not None:
        step = abs(value - last)
        if step > NO_STEP and (channel.small is None or step < channel.small):
            channel.small = step
        if before is not None:
            channel.bends += abs(value - 2.0 * last + before)
    channel.before, channel.last = last, value


def interrupt(state: NoiseState) -> None:
    """Begin a new block: what comes next does not follow on what was before."""
    if state.salinity.last is None:
        return
    state.triples = 0
    for channel in (state.conductivity, state.temperature, state.salinity):
        channel.last = channel.before = channel.small = None
        channel.bends = 0.0


def _close(state: NoiseState, *, steady: bool) -> None:
    channels = (state.conductivity, state.temperature, state.salinity)
    moved = any(channel.small is not None for channel in channels)
    for channel in channels:
        if moved:
            deviation = channel.bends / (state.triples * PER_TRIPLE)
            channel.deviations = [*channel.deviations, deviation][-BLOCKS_KEPT:]
            if channel.small is not None:
                channel.steps = [*channel.steps, channel.small][-BLOCKS_KEPT:]
            if steady:
                _learn(channel, deviation)
        channel.bends, channel.small = 0.0, None
    state.triples = 0


def _learn(channel: Channel, deviation: float) -> None:
    """Begin with the least of some blocks, for bubbles only add, and follow the median slowly."""
    if channel.usual is None:
        channel.usual = deviation
    elif channel.usual_of < USUAL_AFTER:
        channel.usual = min(channel.usual, deviation)
    elif deviation > channel.usual:
        channel.usual *= USUAL_STEP
    elif deviation > LEAST_TAUGHT * channel.usual:
        channel.usual /= USUAL_STEP
    channel.usual_of = min(channel.usual_of + 1, USUAL_AFTER)
