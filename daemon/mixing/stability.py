"""Has mixing stabilised, and when will it.

Stabilised means: all the salt that will dissolve has dissolved, the reservoir
is homogeneous, and the probe's salinity is within 0.1 of its final value.

Readings are gathered into half-minute cells (`stability_cells`); each minute,
and each half minute once nothing vetoes a call, the models of what is still to
come are weighed (`stability_fit`), the figures of how salinity came to rest
and whether the probe lives are worked out (`stability_evidence`), and a score
puts them together (`stability_score`).  A
call needs some decisions in a row without a veto, and a mean score of theirs
above the limit.  After
the call the level is watched (`stability_watch`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from daemon.entries import JSON, Flag, Reading
from daemon.mixing import stability_cells as cells_
from daemon.mixing import stability_evidence as evidence_
from daemon.mixing import stability_forecast as forecast_
from daemon.mixing import stability_motion as motion_
from daemon.mixing import stability_score as score_
from daemon.mixing import stability_watch as watch_
from daemon.mixing.stability_forecast import Forecast

LEAST_SALINITY = 1.5
"""Water below this is not a mixed batch; a probe in air reads so, too."""

DWELL = 3
"""Decisions in a row, none vetoed, whose mean score must be above the limit for a call."""

MOST_SALINITY = 42.0
"""Upper end of PSS-78; brine that passes the probe before it is mixed may read more."""

FALLEN = 0.3
"""Below this share of the highest level seen, the probe is taken to be out of the water."""

_PUMP_SETTLES_CELLS = 10


@dataclass(frozen=True, slots=True)
class Stabilised:
    """Mixing is over.

    Attributes:
        salinity: Robust level, practical salinity.
        noise_u: Standard uncertainty of that level from scatter alone.
        reason: The figures that the call rests on, JSON-able, for a person.
    """

    salinity: float
    noise_u: float
    reason: Mapping[str, JSON]


@dataclass(frozen=True, slots=True)
class Disturbed:
    """After a `Stabilised` call the water changed; a new decision has begun.

    Attributes:
        cause: "salt", "water", "drift" or "pump".
        change: How far salinity moved from the level called, practical salinity.
        reason: The figures behind it.
    """

    cause: str
    change: float
    reason: Mapping[str, JSON]


Finding: TypeAlias = Forecast | Stabilised | Disturbed

__all__ = ["Disturbed", "Finding", "Forecast", "Stabilised", "Stability"]


@dataclass(slots=True)
class Stability:
    """Decides for one reservoir; plain JSON-able data in its fields.

    Before `arm` it only learns the noise.  After it, `advance` yields at most
    one `Forecast` a minute, `Stabilised` once, and then `Disturbed` once when
    the water changes again, which arms it anew by itself.

    Attributes:
        armed_at_s: Monotonic time at which the present decision began.
        settled: Whether the present decision has been taken.
        open: Readings of the running half minute.
        cells: Closed half minutes.
        memory: What decisions leave to one another.
        watch: The level called, while settled.
        scores: Scores of the newest decisions in a row that nothing vetoed, oldest first.
        near: Whether the figures of the newest decision would have allowed a call.
        highest: Highest level since the decision began.
        pump_off_index: Newest cell in which a pump input said "off".
        pump_on_index: First cell of the present run of "on"; None when nobody says.
    """

    armed_at_s: float | None = None
    settled: bool = False
    open: cells_.OpenCell = field(default_factory=cells_.OpenCell)
    cells: cells_.Cells = field(default_factory=cells_.Cells)
    memory: motion_.Memory = field(default_factory=motion_.Memory)
    watch: watch_.Watch = field(default_factory=watch_.Watch)
    scores: list[float] = field(default_factory=list)
    near: bool = False
    highest: float = 0.0
    pump_off_index: int | None = None
    pump_on_index: int | None = None

    def arm(self, t_s: float) -> None:
        """Begin a decision: salt or water arrived at monotonic time `t_s`."""
        self.armed_at_s = t_s
        self.settled = False
        self.scores = []
        self.near = False
        self.highest = 0.0
        motion_.begin(self.memory)

    def rest(self) -> None:
        """Nothing is being mixed any more: only learn the noise, as before `arm`."""
        self.armed_at_s = None

    def advance(self, t_s: float, reading: Reading) -> tuple[Finding, ...]:
        """Take one reading at monotonic time `t_s` (never decreasing)."""
        index = cells_.cell_index(t_s)
        findings: tuple[Finding, ...] = ()
        if index != self.open.index:
            findings = self._close(index)
        if reading.pump is not None:
            self.open.pump_on |= reading.pump
            self.open.pump_off |= not reading.pump
        if reading.salinity is not None and reading.flag is not Flag.FAIL:
            conductivity, temperature = reading.conductivity_mS_cm, reading.temperature_C
            if (
                conductivity is not None
                and temperature is not None
                and cells_.believable(conductivity, temperature)
            ):
                cells_.gather(self.open, t_s, conductivity, temperature)
        return findings

    def _close(self, index: int) -> tuple[Finding, ...]:
        """End the running cell and decide on what it brought."""
        restarted = self._pump()
        if not cells_.close(self.cells, self.open, index) or self.armed_at_s is None:
            return ()
        newest, salinity = self.cells.index[-1], self.cells.salinity[-1]
        if self.settled:
            return self._watch(newest, salinity, restarted=restarted)
        return self._decide(newest) if evidence_.due(newest, near=self.near) else ()

    def _pump(self) -> bool:
        """Follow the pump input; return whether it was seen to start again."""
        cell = self.open
        restarted = False
        if cell.pump_off:
            self.pump_off_index, self.pump_on_index = cell.index, None
        elif cell.pump_on and self.pump_on_index is None:
            self.pump_on_index = cell.index
            restarted = self.pump_off_index is not None
        return restarted

    def _decide(self, newest: int) -> tuple[Finding, ...]:
        """Forecast, and call if the evidence has been good for long enough."""
        found = evidence_.examine(self.cells, self.memory)
        if found is None:
            self.scores, self.near = [], False
            return ()
        self.highest = max(self.highest, min(found.level, MOST_SALINITY))
        told: tuple[Finding, ...] = ()
        if evidence_.due(newest, near=False):
            told = (forecast_.forecast(found.look, found.level, found.level_u),)
        odds = score_.log_odds(found.figures)
        limit = score_.LIMIT_PUMP_KNOWN if self._pump_known(newest) else score_.LIMIT
        self.near = not self._veto(found, newest)
        self.scores = [*self.scores[1 - DWELL :], odds] if self.near else []
        if len(self.scores) < DWELL or sum(self.scores) / DWELL <= limit:
            return told
        self.settled = True
        sigma = math.sqrt(self.memory.noise_var or found.sigma**2)
        self.watch = watch_.begin(found.level, sigma, newest)
        reason = score_.reason(found, sum(self.scores) / DWELL, limit)
        reason["pump"] = "said to be on" if self._pump_known(newest) else "inferred from the flow"
        return (*told, Stabilised(found.level, found.level_u, reason))

    def _pump_known(self, newest: int) -> bool:
        """Return whether a pump input has said "on" long enough to rely on."""
        return self.pump_on_index is not None and newest - self.pump_on_index >= _PUMP_SETTLES_CELLS

    def _veto(self, found: evidence_.Evidence, newest: int) -> str:
        """Return why no call may be made whatever the score says; empty when none."""
        if found.level < LEAST_SALINITY or found.level < FALLEN * self.highest:
            return "the probe seems to be out of the water"
        if found.level > MOST_SALINITY:
            return "no mix is meant to be so salty: this is brine on its way"
        if self.pump_off_index is not None and not self._pump_known(newest):
            return "the pump is off, or has just been started"
        return score_.veto(found.figures)

    def _watch(self, newest: int, salinity: float, *, restarted: bool) -> tuple[Finding, ...]:
        """Hold the newest cell against the level called."""
        if restarted:
            change = salinity - self.watch.level
            return self._disturb("pump", change, {"pump": "started again"})
        seen = watch_.observe(self.watch, salinity, newest)
        if seen is None:
            return ()
        reason: dict[str, JSON] = {
            "level_called": round(self.watch.level, 4),
            "limit": round(seen.limit, 3),
            "minutes_since_inside": round(seen.minutes, 1),
        }
        return self._disturb(seen.cause, seen.change, reason)

    def _disturb(
        self, cause: str, change: float, reason: Mapping[str, JSON]
    ) -> tuple[Finding, ...]:
        """Tell of the change and begin a new decision on the water after it."""
        self.arm((self.cells.index[-1] + 1) * cells_.CELL_S)
        return (Disturbed(cause, change, reason),)
