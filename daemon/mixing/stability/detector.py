"""Has mixing stabilised, and when will it.

Stabilised means: all the salt that will dissolve has dissolved, the reservoir
is homogeneous, and the probe's salinity is within 0.1 of its final value.

Readings are gathered into half-minute cells (`stability_cells`).  Each cell is
shown (`stability_view`) to a small learned memory, which tells the log odds that
mixing is over, and a score of whether to call now (`stability_score`).  A call needs
some such scores in a row whose mean is above the limit, none at a time at which a
call is out of the question (`stability_gate`), and a probe that moves.  Models of
what is still to come (`stability_fit`) give the forecast, each minute, and with slope
and scatter the figures that a person can check a call by (`stability_evidence`).
After the call the level is watched (`stability_watch`).  Where it crept away though
nothing was added, there is no salt to come that the score could tell of: half an hour
at rest is enough.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from daemon.entries import JSON, Flag, Reading
from daemon.mixing.stability import cells as cells_
from daemon.mixing.stability import drift_watch as watch_
from daemon.mixing.stability import evidence as evidence_
from daemon.mixing.stability import features as view_
from daemon.mixing.stability import forecast as forecast_
from daemon.mixing.stability import interlocks as gate_
from daemon.mixing.stability import network as score_
from daemon.mixing.stability.forecast import Forecast
from daemon.mixing.stability.weights import Weights

DWELL = 6
"""Scores in a row, none while a call is out of the question, whose mean must pass the limit.

Three minutes: most wrong calls were of shorter spells, between a fault and its being seen."""

SHOWN_AGAIN = 60
"""Cells before the arming that a decision begins with: half an hour."""

AFTER_ARMING = 10
"""Cells after the arming before the first call: nothing mixes within 5 min, and what the
score remembers of the time before must have passed."""

AFTER_DRIFT = 60
"""Cells that must show water at rest that had crept away: half an hour."""

AT_REST = 0.985
"""Chance that the slope is within its bound, at which water that had crept away rests."""

SUREST = 0.999
"""No call claims to be surer."""

_PUMP_SETTLES_CELLS = 10
_FORECAST_CELLS = 2


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
        view: What the newest of them are held against.
        units: What the network remembers of this decision.
        first_index: Oldest cell that this decision looks at.
        noise: What is known of the noise.
        gate: What forbids a call remembers.
        watch: The level called, while settled.
        scores: Newest scores of a call in a row at which one was possible, oldest first.
        crept_index: Newest cell when a call was last undone by a drift; None when by none.
        pump_off_index: Newest cell in which a pump input said "off".
        pump_on_index: First cell of the present run of "on"; None when nobody says.
    """

    armed_at_s: float | None = None
    settled: bool = False
    open: cells_.OpenCell = field(default_factory=cells_.OpenCell)
    cells: cells_.Cells = field(default_factory=cells_.Cells)
    view: view_.View = field(default_factory=view_.View)
    units: score_.Units = field(default_factory=list)
    first_index: int = 0
    noise: evidence_.Noise = field(default_factory=evidence_.Noise)
    gate: gate_.Gate = field(default_factory=gate_.Gate)
    watch: watch_.Watch = field(default_factory=watch_.Watch)
    scores: list[float] = field(default_factory=list)
    crept_index: int | None = None
    pump_off_index: int | None = None
    pump_on_index: int | None = None

    def arm(self, t_s: float) -> None:
        """Begin a decision: salt or water arrived at monotonic time `t_s`."""
        self.armed_at_s = t_s
        self.settled = False
        self.scores = []
        self.crept_index = None
        self.gate = gate_.Gate()
        self.view, self.units = view_.View(), []
        before = self.cells.index[-SHOWN_AGAIN:]
        self.first_index = before[0] if before else 0

    def rest(self) -> None:
        """Nothing is being mixed any more: only learn the noise, as before `arm`."""
        self.armed_at_s = None

    def advance(self, t_s: float, reading: Reading, weights: Weights) -> tuple[Finding, ...]:
        """Take one reading at monotonic time `t_s` (never decreasing).

        Args:
            t_s: s.
            reading: Of the water.
            weights: Of the network, the same at each call.
        """
        index = cells_.cell_index(t_s)
        findings: tuple[Finding, ...] = ()
        if index != self.open.index:
            findings = self._close(index, weights)
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

    def _close(self, index: int, weights: Weights) -> tuple[Finding, ...]:
        """End the running cell and decide on what it brought."""
        restarted = self._pump()
        if not cells_.close(self.cells, self.open, index) or self.armed_at_s is None:
            return ()
        newest, salinity = self.cells.index[-1], self.cells.salinity[-1]
        if self.settled:
            return self._watch(newest, salinity, restarted=restarted)
        return self._decide(newest, weights)

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

    def _score(self, weights: Weights) -> None:
        """Let the network take the cells that it has not had."""
        index, known = self.cells.index, self.view.index
        first = bisect_left(index, self.first_index if known is None else known + 1)
        for at in range(first, len(index)):
            rows = view_.show(self.view, self.cells, at)
            self.units = score_.remember(weights, self.units, rows)

    def _decision(self) -> Iterator[list[list[float]]]:
        """Yield the rows of each cell of this decision that is still kept, oldest first."""
        view = view_.View()
        first = bisect_left(self.cells.index, self.first_index)
        return (view_.show(view, self.cells, at) for at in range(first, len(self.cells.index)))

    def _decide(self, newest: int, weights: Weights) -> tuple[Finding, ...]:
        """Forecast, and call if the score has been good for long enough."""
        self._score(weights)
        if self._forbidden(newest):
            self.scores = []
        else:
            self.scores = [*self.scores[1 - DWELL :], score_.call_score(weights, self.units)]
        limit = weights.limit_pump_known if self._pump_known(newest) else weights.limit
        free = len(self.scores) == DWELL
        good = free and sum(self.scores) / DWELL > limit
        crept = free and not good and self.crept_index is not None
        told_now = newest % _FORECAST_CELLS == 1
        found = evidence_.examine(self.cells, self.noise) if good or crept or told_now else None
        if found is None:
            return ()
        good = good or (crept and found.chance_at_rest > AT_REST)
        good = good and not gate_.waits(self.cells, len(self.cells.index) - 1)
        told: tuple[Finding, ...] = ()
        if told_now:
            told = (forecast_.forecast(found.look, found.level, found.level_u),)
        if not good:
            return told
        self.settled = True
        sigma = math.sqrt(self.noise.noise_var or found.sigma**2)
        self.watch = watch_.begin(found.level, sigma, newest)
        reason = self._reason(found, limit, weights)
        return (*told, Stabilised(found.level, found.level_u, reason))

    def _reason(
        self, found: evidence_.Evidence, limit: float, weights: Weights
    ) -> Mapping[str, JSON]:
        """Return the figures that a call rests on, for a person to check."""
        brought: dict[str, JSON] = dict(score_.ablation(weights, self._decision()))
        on = self._pump_known(self.cells.index[-1])
        odds, score = score_.log_odds(weights, self.units), sum(self.scores) / DWELL
        scored = score > limit
        return {
            "confidence": round(min(_chance(odds) if scored else found.chance_at_rest, SUREST), 4),
            "rests_on": "score" if scored else "slope: nothing was added, and the drift has ended",
            "log_odds": round(odds, 2),
            "call_score": round(score, 2),
            "limit": round(limit, 2),
            "window_min": 20,
            "slope_per_h": round(found.slope_per_h, 4),
            "slope_low_per_h": round(found.slope_per_h - 1.96 * found.slope_u_per_h, 4),
            "slope_high_per_h": round(found.slope_per_h + 1.96 * found.slope_u_per_h, 4),
            "effective_samples": round(found.effective, 1),
            "remaining": round(float(found.look.weight @ found.look.remaining), 4),
            "chance_beyond_tolerance": round(found.chance_beyond, 5),
            "tolerance": evidence_.TOLERANCE,
            "scatter": round(found.sigma, 5),
            "thermometer_behind_s": round(self.cells.lag.behind * cells_.CELL_S, 1),
            "brought": brought,
            "pump": "said to be on" if on else "inferred from the flow",
        }

    def _pump_known(self, newest: int) -> bool:
        """Return whether a pump input has said "on" long enough to rely on."""
        return self.pump_on_index is not None and newest - self.pump_on_index >= _PUMP_SETTLES_CELLS

    def _forbidden(self, newest: int) -> str:
        """Return why no call may be made whatever the score says; empty when nothing forbids it."""
        shut = gate_.forbids(self.gate, self.cells, len(self.cells.index) - 1)
        if self.pump_off_index is not None and not self._pump_known(newest):
            return "the pump is off, or has just been started"
        if self.crept_index is not None and newest - self.crept_index < AFTER_DRIFT:
            return "salinity crept away: half an hour must show that it rests"
        if newest - cells_.cell_index(self.armed_at_s or 0.0) < AFTER_ARMING:
            return "salt or water has only just arrived"
        return shut

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
        self.crept_index = self.cells.index[-1] if cause == "drift" else None
        return (Disturbed(cause, change, reason),)


def _chance(log_odds: float) -> float:
    """Return the chance that log odds stand for."""
    return 1.0 / (1.0 + math.exp(-log_odds))
