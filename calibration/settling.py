"""How a point settles, reading by reading, for whoever watches it; the routine alone takes it.

It judges by the same test as the routine.  A probe that is silent is not steady, whatever its
last values say.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from calibration.steadiness import Indication, Rest, rest, window

MOST_POINTS = 1200
"""Points that are kept, the newest: twenty minutes at one a second."""


class SettlingState(StrEnum):
    """What the readings of a point show so far."""

    WAITING = "waiting"
    """No value has come yet."""
    SETTLING = "settling"
    SETTLED = "settled"
    SILENT = "silent"
    """Values came, and the last reading has none."""


@dataclass(frozen=True, slots=True)
class SettlingPoint:
    """One reading of a point, as indicated.

    Attributes:
        waited_s: Since the first reading of the point, s.
        conductivity_mS_cm: mS/cm; None where it did not come.
        temperature_C: °C; likewise.
        low_mS_cm: The least that conductivity may come to within a minute; None while that is
            not known.
        high_mS_cm: The most.
    """

    waited_s: float
    conductivity_mS_cm: float | None
    temperature_C: float | None
    low_mS_cm: float | None = None
    high_mS_cm: float | None = None


@dataclass(slots=True)
class Settling:
    """The readings of one point, and what they show.

    Attributes:
        resolution_mS_cm: Step of the instrument, mS/cm.
        points: Of its readings, the newest at the end.
        at_rest: What the last two minutes show; None while they are too short to tell.
    """

    resolution_mS_cm: float
    points: list[SettlingPoint] = field(default_factory=list)
    at_rest: Rest | None = None
    _recent: list[Indication] = field(default_factory=list)
    _began_s: float | None = None

    def take(self, indication: Indication) -> None:
        """Add one reading; one that brought no value counts for time alone."""
        if self._began_s is None:
            self._began_s = indication.t_s
        good = window([*self._recent, indication])
        self._recent = good if indication.plausible else [*good, indication]
        self.at_rest = rest(good, self.resolution_mS_cm) if indication.plausible else None
        self.points.append(self._point(indication, indication.t_s - self._began_s))
        del self.points[:-MOST_POINTS]

    def _point(self, indication: Indication, waited_s: float) -> SettlingPoint:
        if not indication.plausible:
            return SettlingPoint(waited_s, None, None)
        low = high = None
        if self.at_rest is not None:
            value = self.at_rest.conductivity
            low, high = value.mean - value.reach, value.mean + value.reach
        return SettlingPoint(
            waited_s, indication.conductivity_mS_cm, indication.temperature_C, low, high
        )

    @property
    def waited_s(self) -> float:
        """Time since its first reading, s."""
        return self.points[-1].waited_s if self.points else 0.0

    @property
    def state(self) -> SettlingState:
        """What its readings show."""
        if not self._recent:
            return SettlingState.WAITING
        if not self._recent[-1].plausible:
            seen = any(each.conductivity_mS_cm is not None for each in self.points)
            return SettlingState.SILENT if seen else SettlingState.WAITING
        steady = self.at_rest is not None and self.at_rest.steady
        return SettlingState.SETTLED if steady else SettlingState.SETTLING
