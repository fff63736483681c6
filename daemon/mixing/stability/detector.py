"""Has mixing ended, and when will it.

Stabilised means: all the salt that will dissolve has dissolved, the reservoir
is homogeneous, and the probe's salinity is within 0.1 of its final value.

Readings are gathered into cells of half a minute (`cells`).  The features of each
cell (`features`) go into a small trained network (`network`, `weights`), which gives
the log odds that mixing is over, and a score of whether to call now.  A call needs
some scores in a row whose mean is above the limit, no interlock (`interlocks`) at any
of them, and a probe that moves.  Where the score waits for long, or readings are unlike any
that it was taught (`familiarity`), rest that is proven calls instead (`second_path`).
Models of what is still to come (`fit`) give the forecast, each minute, and with slope and
scatter the figures that a person can check a call by (`evidence`).  After the call the
level is watched (`drift_watch`).  Where it drifted away though nothing was added, there
is no salt to come that the score could show: half an hour at rest, proven, is enough.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from daemon.entries import JSON, Flag, Reading
from daemon.mixing.stability.beginnings import since_words, whole_minutes
from daemon.mixing.stability.call_reason import CallBasis, reason_of
from daemon.mixing.stability.cells import (
    CELL_S,
    Cells,
    OpenCell,
    add_reading,
    cell_index,
    close_cell,
    plausible,
)
from daemon.mixing.stability.drift_watch import DriftWatch, start_watch, watch_cell
from daemon.mixing.stability.evidence import Evidence, Noise, examine
from daemon.mixing.stability.familiarity import RECENT, outside, unfamiliar
from daemon.mixing.stability.features import FeatureState, feature_rows
from daemon.mixing.stability.findings import Disturbed, Finding, Recovered, Stabilised
from daemon.mixing.stability.forecast import forecast
from daemon.mixing.stability.interlocks import InterlockState, interlock, must_wait
from daemon.mixing.stability.network import Rows, Units, ablation, call_score, log_odds, remember
from daemon.mixing.stability.recovery import UndoneCall, is_over, recovered, watch_again
from daemon.mixing.stability.release_forecast import ForecastBasis, Watch, inputs
from daemon.mixing.stability.second_path import Proof, proof_of_rest
from daemon.mixing.stability.weights import Weights

DWELL = 6
"""Scores in a row, none under an interlock, whose mean must pass the limit.

Three minutes: most wrong calls were of shorter spells, between a fault and its detection."""

CELLS_BEFORE_ARMING = 60
"""Cells before the arming that a decision begins with: half an hour."""

AFTER_ARMING = 10
"""Cells after the arming before the first call: nothing mixes within 5 min, and what the
network remembers of the time before must have passed."""

AFTER_DRIFT = 60
"""Cells that must show water at rest that had drifted away: half an hour."""

UNKNOWN_AWAY_S = 600.0
"""An outage whose length nobody knows counts for so long.

Long enough to be no step of one half minute, which the network has only met where water came;
measured on simulated power cuts: of 24 batches 20 were never called where 30 s counted, none
where 5 min did, and 10 min bring the call no later than the true length."""

_PUMP_SETTLES_CELLS = 10
_PUMP_SAYS_CELLS = 2
_FORECAST_CELLS = 2

__all__ = ["Disturbed", "Finding", "ForecastBasis", "Recovered", "Stabilised", "Stability"]


@dataclass(slots=True)
class Stability:
    """Decides for one reservoir; plain JSON-able data in its fields.

    Before `arm` it only learns the noise.  After it, `advance` yields at most
    one `ForecastBasis` a minute, `Stabilised` once, and then `Disturbed` once when
    the water changes again, with which a new decision begins.

    Attributes:
        armed_at_s: Time at which the present decision began, `away_s` included.
        settled: Whether the present decision has been taken.
        open: Readings of the running half minute.
        cells: Closed half minutes.
        features: Trailing means that the features of a cell are measured from.
        units: What the network remembers of this decision.
        first_index: Oldest cell that this decision looks at.
        noise: What is known of the noise.
        interlocks: What the interlocks remember of this decision.
        drift_watch: Of the level called, while settled.
        scores: Newest scores of a call in a row without an interlock, oldest first.
        outside: Which figures of the newest half minutes lie outside what was learned.
        drifted_index: Newest cell when a drift last undid a call; None when none did.
        pump_off_index: Newest cell in which a pump input said "off".
        pump_on_index: First cell of the present run of "on"; None when nobody says.
        began_by: What began the present decision: "salt", "water", "drift" or "pump"; empty
            where only the watching began.
        away_s: Time that outages of unknown length count for, beyond the times it is given, s.
        undone: The call that a fall has undone, while it may be reinstated; None for none.
    """

    armed_at_s: float | None = None
    settled: bool = False
    open: OpenCell = field(default_factory=OpenCell)
    cells: Cells = field(default_factory=Cells)
    features: FeatureState = field(default_factory=FeatureState)
    units: Units = field(default_factory=list)
    first_index: int = 0
    noise: Noise = field(default_factory=Noise)
    interlocks: InterlockState = field(default_factory=InterlockState)
    drift_watch: DriftWatch = field(default_factory=DriftWatch)
    scores: list[float] = field(default_factory=list)
    outside: list[list[int]] = field(default_factory=list)
    drifted_index: int | None = None
    pump_off_index: int | None = None
    pump_on_index: int | None = None
    began_by: str = ""
    away_s: float = 0.0
    undone: UndoneCall | None = None

    def interrupt(self) -> None:
        """Count an outage of unknown length, e.g. a power cut under a clock that stood wrong.

        Without it the first reading after it would follow the last one as if in one step.
        """
        self.away_s += UNKNOWN_AWAY_S

    def arm(self, t_s: float, began_by: str = "") -> None:
        """Begin a decision at monotonic time `t_s`.

        Args:
            t_s: s.
            began_by: "salt", "water", "drift" or "pump"; empty where nothing is known to have
                come, and only the watching begins.
        """
        self._begin(t_s + self.away_s, began_by)

    def _begin(self, own_s: float, began_by: str) -> None:
        """Begin a decision at its own time, in which outages count."""
        self.armed_at_s = own_s
        self.began_by = began_by
        self.settled = False
        self.scores, self.outside = [], []
        self.drifted_index = self.undone = None
        self.interlocks = InterlockState()
        self.features, self.units = FeatureState(), []
        before = self.cells.index[-CELLS_BEFORE_ARMING:]
        self.first_index = before[0] if before else 0

    def rest(self) -> None:
        """Nothing is being mixed any more: only learn the noise, as before `arm`."""
        self.armed_at_s = self.undone = None

    def reinstate(self) -> None:
        """Let the call hold again that a fall has undone."""
        if self.undone is not None:
            undone, self.settled = self.undone, True
            self.armed_at_s, self.began_by = undone.armed_at_s, undone.began_by
            self.first_index, self.undone = undone.first_index, None
            watch_again(self.drift_watch, self.cells.index[-1])

    def advance(self, t_s: float, reading: Reading, weights: Weights) -> tuple[Finding, ...]:
        """Take one reading at monotonic time `t_s` (never decreasing).

        Args:
            t_s: s.
            reading: Of the water.
            weights: Of the network, the same at each call.
        """
        own_s = t_s + self.away_s
        index = cell_index(own_s)
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
                and plausible(conductivity, temperature)
            ):
                add_reading(self.open, own_s, conductivity, temperature)
        return findings

    def _close(self, index: int, weights: Weights) -> tuple[Finding, ...]:
        """End the running cell and decide on it."""
        restarted = self._follow_pump()
        self.drift_watch.step.take(self.open, self.cells)
        if not close_cell(self.cells, self.open, index) or self.armed_at_s is None:
            return ()
        newest, salinity = self.cells.index[-1], self.cells.salinity[-1]
        if self.settled:
            return self._watch(newest, salinity, restarted=restarted)
        return self._look_back(newest, salinity) + self._decide(newest, weights)

    def _follow_pump(self) -> bool:
        """Follow the pump input; return whether it says that the pump started again."""
        cell = self.open
        restarted = False
        if cell.pump_off:
            self.pump_off_index, self.pump_on_index = cell.index, None
        elif cell.pump_on and self.pump_on_index is None:
            self.pump_on_index = cell.index
            restarted = self.pump_off_index is not None
        return restarted

    def _feed_network(self, weights: Weights) -> None:
        """Let the network take the cells that it has not had."""
        index, newest = self.cells.index, self.features.index
        first = bisect_left(index, self.first_index if newest is None else newest + 1)
        for at in range(first, len(index)):
            rows = feature_rows(self.features, self.cells, at)
            self.units = remember(weights, self.units, rows)
            if weights.envelope is not None:
                newest_outside = outside(weights.envelope, rows[-1])
                self.outside = [*self.outside[1 - RECENT :], newest_outside]

    def _decision_rows(self) -> Iterator[Rows]:
        """Yield the features of each cell of this decision that is still kept, oldest first."""
        state = FeatureState()
        first = bisect_left(self.cells.index, self.first_index)
        return (feature_rows(state, self.cells, at) for at in range(first, len(self.cells.index)))

    def _decide(self, newest: int, weights: Weights) -> tuple[Finding, ...]:
        """Forecast, and call if the score has been good for long enough."""
        self._feed_network(weights)
        if self.drifted_index is not None:
            changed = self._compare(newest, self.cells.salinity[-1])
            if changed:
                return changed
        blocked = self.blocked_by()
        if blocked:
            self.scores = []
        else:
            self.scores = [*self.scores[1 - DWELL :], call_score(weights, self.units)]
        free = len(self.scores) == DWELL
        good = free and sum(self.scores) / DWELL > weights.limit and not self.unfamiliar()
        forecast_due = newest % _FORECAST_CELLS == 1
        evidence = examine(self.cells, self.noise) if good or forecast_due else None
        if evidence is None:
            return ()
        proof = self._proof(weights) if free and not good else None
        good = good or proof is not None
        good = good and not must_wait(self.cells, len(self.cells.index) - 1)
        findings: tuple[Finding, ...] = ()
        if forecast_due:
            findings = (self._forecast_basis(newest, "; ".join(blocked), evidence, weights),)
        if not good:
            return findings
        self.settled, self.undone = True, None
        sigma = math.sqrt(self.noise.noise_var or evidence.sigma**2)
        self.drift_watch = start_watch(evidence.level, sigma, newest)
        reason = self._reason(evidence, proof, weights)
        return (*findings, Stabilised(evidence.level, evidence.level_u, reason))

    def _forecast_basis(
        self, newest: int, blocked: str, evidence: Evidence, weights: Weights
    ) -> ForecastBasis:
        """Return what a forecast rests on."""
        watch = Watch(
            odds=log_odds(weights, self.units),
            score=call_score(weights, self.units),
            free_scores=len(self.scores),
            # A cell of before a silence may close after an arming that came at its end.
            armed_min=max(0.0, (newest + 1) * CELL_S - (self.armed_at_s or 0.0)) / 60.0,
            pump=0 if self.pump_off_index is None and self.pump_on_index is None
            else 1 if self._pump_known(newest) else -1,
            drifted=self.drifted_index is not None,
        )  # fmt: skip
        models = forecast(evidence.outlook)
        return ForecastBasis(
            inputs(watch, self.units, self.cells, evidence, models),
            evidence.level,
            models.remaining,
            max(1, DWELL - len(self.scores)) * CELL_S / 60.0,
            blocked,
        )

    def _reason(
        self, evidence: Evidence, proof: Proof | None, weights: Weights
    ) -> Mapping[str, JSON]:
        """Return the figures that a call rests on, for a person to check."""
        return reason_of(
            CallBasis(
                evidence=evidence,
                odds=log_odds(weights, self.units),
                score=sum(self.scores) / DWELL,
                limit=weights.limit,
                proof=proof,
                unfamiliar=self.unfamiliar(),
                behind_s=self.cells.lag.behind * CELL_S,
                brought=ablation(weights, self._decision_rows()),
                pump_on=self._pump_known(self.cells.index[-1]),
            )
        )

    def unfamiliar(self) -> tuple[str, ...]:
        """Return how the newest readings are unlike any that the network was taught, in words."""
        return unfamiliar(self.outside)

    def _proof(self, weights: Weights) -> Proof | None:
        """Return the proof that the water rests, whatever the score says; None without."""
        began = cell_index(self.armed_at_s or 0.0)
        odds = log_odds(weights, self.units)
        return proof_of_rest(self.cells, began, odds, drifted=self.drifted_index is not None)

    def blocked_by(self) -> tuple[str, ...]:
        """Return why no call may be made whatever the score is; none when one may.

        While deciding, after a cell has closed; the same cell may be asked about again.
        """
        newest = self.cells.index[-1]
        probe = interlock(self.interlocks, self.cells, len(self.cells.index) - 1)
        return tuple(filter(None, (probe, self._pump_blocks(newest), self._too_soon(newest))))

    def since_beginning(self) -> str:
        """Return for how long this decision has gone on, and since what, for a person."""
        ended_s = (self.cells.index[-1] + 1) * CELL_S
        return since_words(self.began_by, ended_s - (self.armed_at_s or 0.0))

    def _pump_known(self, newest: int) -> bool:
        """Return whether a pump input has said "on" long enough to rely on."""
        return self.pump_on_index is not None and newest - self.pump_on_index >= _PUMP_SETTLES_CELLS

    def _pump_blocks(self, newest: int) -> str:
        """Return why a pump input blocks a call; empty when it does not."""
        if self.pump_off_index is None or self._pump_known(newest):
            return ""
        if self.pump_on_index is None:
            said = newest - self.pump_off_index <= _PUMP_SAYS_CELLS
            return "the pump is off" if said else "the pump was last said to be off"
        ran_s = (newest + 1 - self.pump_on_index) * CELL_S
        return f"the pump has run for only {whole_minutes(ran_s)} min"

    def _too_soon(self, newest: int) -> str:
        """Return why it is too early for a call; empty when it is not."""
        drifted = self.drifted_index is not None and newest - self.drifted_index < AFTER_DRIFT
        if drifted or newest - cell_index(self.armed_at_s or 0.0) < AFTER_ARMING:
            return self.since_beginning()
        return ""

    def _watch(self, newest: int, salinity: float, *, restarted: bool) -> tuple[Finding, ...]:
        """Compare the newest cell with the level called."""
        if restarted:
            change = salinity - self.drift_watch.level
            return self._disturb("pump", change, {"pump": "started again"})
        return self._compare(newest, salinity)

    def _compare(self, newest: int, salinity: float) -> tuple[Finding, ...]:
        """Report what the newest cell proves to have changed."""
        changed = watch_cell(self.drift_watch, salinity, self.cells.temperature_C[-1], newest)
        if changed is None:
            return ()
        reason: dict[str, JSON] = {
            "level_called": round(self.drift_watch.level, 4),
            "limit": round(changed.limit, 3),
            "minutes_since_inside": round(changed.minutes, 1),
        }
        return self._disturb(changed.cause, changed.change, reason)

    def _look_back(self, newest: int, salinity: float) -> tuple[Finding, ...]:
        """Report that the level is read again of which a fall undid the call."""
        if self.undone is None or is_over(self.undone, newest):
            self.undone = None
            return ()
        back = recovered(self.drift_watch, salinity, newest, self.pump_off_index)
        return () if back is None else (back,)

    def _disturb(
        self, cause: str, change: float, reason: Mapping[str, JSON]
    ) -> tuple[Finding, ...]:
        """Report the change and begin a new decision on the water after it.

        What drifts goes on being watched, so that salt or water is seen to come.
        """
        newest, called = self.cells.index[-1], self.settled
        before = UndoneCall(newest, self.armed_at_s, self.began_by, self.first_index)
        self._begin((newest + 1) * CELL_S, cause)
        self.undone = before if called and cause == "water" else None
        if cause == "drift":
            self.drifted_index = newest
            self.drift_watch = start_watch(self.cells.salinity[-1], self.drift_watch.sigma, newest)
        return (Disturbed(cause, change, reason),)
