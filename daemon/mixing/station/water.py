"""From a reading to the water: findings of the detector, the level, and the life of a batch."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.entries import Phase, Reading
from daemon.mixing.batch import lifecycle, suspect_fall, suspension, verification
from daemon.mixing.batch.salt_detection import SALT_ARRIVES, WATER_ARRIVES
from daemon.mixing.events import Happening, PhaseChanged, WaterDisturbed
from daemon.mixing.stability.detector import Disturbed, ForecastBasis, Recovered, Stabilised
from daemon.mixing.station import expected_release, falls, release_outlook, together
from daemon.mixing.station.conditions import USABLE
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings
    from daemon.mixing.stability.detector import Finding as StabilityFinding
    from daemon.mixing.stability.weights import Weights
    from daemon.mixing.station.release_outlook import ReleaseOutlook
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState
    from daemon.mixing.station.together import WaterReading

FORECAST_SPACING_S = 60.0
ARRIVALS = {SALT_ARRIVES: "salt", WATER_ARRIVES: "water"}
"""What has come, by the reason for which a batch began to dissolve."""


def of_reading(
    state: ReservoirState,
    of_water: WaterReading,
    t_s: float,
    settings: ReservoirSettings,
    weights: Weights,
) -> list[Happening]:
    """Process what is known of the water now; return the events of the water and its batch.

    Args:
        state: Of the reservoir; changed in place.
        of_water: A reading taken in it.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
        weights: Of the detector's network.
    """
    reading, found = of_water.judged, [*of_water.found]
    if together.dispute_ended(state):
        # What was judged by a mean of probes that disagreed says nothing against the water.
        judgement = state.batch.judgement
        judgement.mean, judgement.mean_bins, judgement.minutes = None, 0, []
    place = together.place_of(state, settings)
    usable = reading.salinity if reading.flag in USABLE else None
    if usable is not None:
        state.batch.temperature_C = reading.temperature_C
        resolution_mS_cm = settings.probes[reading.probe].resolution_mS_cm
        state.batch.step_mS_cm = resolution_mS_cm or state.stability.cells.finest_mS_cm
    before = state.batch.id
    findings = state.stability.advance(t_s, of_water.watched, weights)
    if place.away is not None:
        # The half minute that has just closed may hold readings from elsewhere.
        findings = ()
        state.outlook = None
    steps: list[Happening] = []
    if findings:
        steps += _finding_steps(state, findings, reading, t_s, settings, weights)
    if place.away is None:
        steps += falls.follow(state, reading, t_s, settings)
    if steps:
        # These belong to the batch that a refill at the same moment may end.
        steps = [Happening(each.body, before) for each in steps]
    suspect = suspect_fall.is_suspect(state.batch)
    closed = state.level.advance(t_s, None if suspect else usable, reading.salinity_u)
    steps += suspension.advance(
        state.batch,
        place,
        found,
        state.level,
        t_s,
        reading.reservoir,
        reading.at.wall,
        settings.batch,
    )
    if closed and place.away is None:
        steps += lifecycle.on_level(
            state.batch,
            state.level,
            t_s,
            reading.reservoir,
            reading.at.wall,
            settings.batch,
            place,
        )
        if state.batch.place_hold != suspension.JUMPED:
            steps += verification.on_more_readings(state.batch, state.level, t_s, settings.batch)
    arm_if_salted(state, steps, t_s)
    if steps:
        forget_steadiness(state, steps)
    return steps


def forget_steadiness(state: ReservoirState, steps: list[Happening]) -> None:
    """Forget when the water was steady, once a phase came in which it is not."""
    moved = any(isinstance(each.body, PhaseChanged) for each in steps)
    if moved and state.batch.phase not in lifecycle.STEADY:
        state.stable_at = None
    if moved:
        state.outlook = None


def arm_if_salted(state: ReservoirState, steps: list[Happening], t_s: float) -> None:
    """Arm the stability detector where salt came that it did not detect."""
    # A new detector beside a restored batch has no memory of the salt.
    unwatched = state.batch.phase in lifecycle.WITH_SALT and not state.armed
    if not steps and not unwatched:
        return
    reasons = [
        each.body.why
        for each in steps
        if isinstance(each.body, PhaseChanged) and each.body.to is Phase.DISSOLVING
    ]
    # It armed itself where it detected the change.
    disturbed = any(isinstance(each.body, WaterDisturbed) for each in steps)
    if (reasons or unwatched) and not disturbed:
        state.stability.arm(t_s, ARRIVALS.get(reasons[-1], "") if reasons else "")
        state.armed = True


def _finding_steps(
    state: ReservoirState,
    findings: tuple[StabilityFinding, ...],
    reading: Reading,
    t_s: float,
    settings: ReservoirSettings,
    weights: Weights,
) -> list[Happening]:
    steps: list[Happening] = []
    for finding in findings:
        if isinstance(finding, Stabilised):
            # The reading at which the call falls may be the one that did not come.
            probe_u = state.level.u_since(t_s - verification.LATE_S)
            # What makes up for a probe that dropped out is no salinity.
            salinity = finding.salinity / state.reconciliation.even[2]
            steady = replace(finding, salinity=salinity)
            judged = verification.on_stabilised(state.batch, steady, probe_u, t_s, settings.batch)
            if judged:
                state.stable_at = iso(reading.at)
            steps += judged
        elif isinstance(finding, Disturbed):
            falls.remember_times(state)
            steps += lifecycle.on_disturbed(state.batch, finding, t_s, settings.batch)
        elif isinstance(finding, Recovered):
            steps += falls.reinstate(state, finding, reading, t_s, settings)
        elif state.batch.phase is Phase.DISSOLVING and len(findings) == 1:
            # A call of steadiness replaces the forecast.
            made = release_outlook.outlook(weights.head, finding, reading.at, t_s)
            steps += _forecast_steps(state, finding, made, settings.batch, t_s)
    return steps


def _forecast_steps(
    state: ReservoirState,
    basis: ForecastBasis,
    made: ReleaseOutlook,
    settings: BatchSettings,
    t_s: float,
) -> list[Happening]:
    """Take a forecast; return its event, each minute, or once where there is none for a while."""
    before, state.outlook = state.outlook, made
    state.batch.remaining = basis.remaining
    if made.ready_at is None:
        unsaid = before is None or made.sort != before.sort
    else:
        unsaid = state.forecast_s is None or t_s - state.forecast_s >= FORECAST_SPACING_S
    if not unsaid:
        return []
    state.forecast_s = t_s
    return [Happening(expected_release.forecast_made(state, settings, t_s))]
