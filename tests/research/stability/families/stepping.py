"""What families that go step by step have in common: their inputs, and when they may stop."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.research.stability.families.draws import Floats
from tests.research.stability.families.handling import (
    STEP_S,
    Handling,
    dilution,
    grid,
    poured,
    running,
)
from tests.research.stability.families.mixture import NEAR, UNDISSOLVED, Mixture

_KEPT_S = 102.0 * 60.0
"""How long a vessel is followed after mixing is over, seconds."""

_GIVEN_UP_S = 3.5 * 3600.0
"""How long after the last addition mixing may take, seconds; then it never ends."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What happens between each time of the grid and the next.

    Attributes:
        runs: Whether the pump runs.
        salt: What is poured, in salinity of the whole at the end of the step.
        grows: Share by which fresh water makes the whole larger.
        final: Final salinity at each time of the grid.
        last_s: When the last addition is complete.
    """

    runs: list[bool]
    salt: list[float]
    grows: list[float]
    final: list[float]
    last_s: float


def inputs(drawn: Handling) -> Inputs:
    """Return the inputs of a vessel that is handled so."""
    t_s = grid()
    thin, total = dilution(drawn, t_s), poured(drawn, t_s)
    ends = [pour.start_s + pour.length_s for pour in drawn.pours]
    ends += [each.start_s + each.length_s for each in drawn.fresh]
    return Inputs(
        running(drawn, t_s).tolist(), (np.diff(total) * thin[1:]).tolist(),
        (thin[:-1] / thin[1:] - 1.0).tolist(), (thin * (drawn.start + total)).tolist(), max(ends),
    )  # fmt: skip


@dataclass(slots=True)
class Steps:
    """The course of a vessel so far, one entry a time of the grid.

    Attributes:
        parts: Salinities of the parts.
        probe: Salinity of the water at the probe.
        undissolved: Salt not dissolved.
        good_s: Since when all is mixed, seconds; None while it is not.
    """

    parts: list[list[float]] = field(default_factory=list)
    probe: list[float] = field(default_factory=list)
    undissolved: list[float] = field(default_factory=list)
    good_s: float | None = None

    def append(self, parts: list[float], probe: float, undissolved: float) -> None:
        """Keep the state at the next time of the grid."""
        self.parts.append(parts)
        self.probe.append(probe)
        self.undissolved.append(undissolved)

    def enough(self, given: Inputs) -> bool:
        """Return whether the vessel has been followed long enough."""
        parts, k = self.parts[-1], len(self.parts) - 1
        t_s = k * STEP_S
        mixed = (
            self.undissolved[-1] < UNDISSOLVED
            and max(parts) - min(parts) < NEAR
            and abs(self.probe[-1] - given.final[k]) < NEAR
        )
        if not mixed:
            self.good_s = None
            return t_s > given.last_s + _GIVEN_UP_S
        if self.good_s is None:
            self.good_s = t_s
        return t_s > max(self.good_s, given.last_s) + _KEPT_S

    def mixture(self, drawn: Handling, volumes: Floats) -> Mixture:
        """Return the course as a whole."""
        count = len(self.parts)
        t_s = grid()[:count]
        final = dilution(drawn, t_s) * (drawn.start + poured(drawn, t_s))
        return Mixture(
            drawn, np.array(self.parts), volumes, np.array(self.probe),
            np.array(self.undissolved), final, running(drawn, t_s),
        )  # fmt: skip
