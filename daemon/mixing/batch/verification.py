"""When a batch is judged: once it is steady, as more readings come, and at a command.

The salinity to judge and its uncertainty are computed here; `release` judges.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import suspect_fall, volume
from daemon.mixing.batch.batch_state import STEADY, WITH_SALT, Advice, BatchSettings, BatchState
from daemon.mixing.batch.lifecycle import dissolve, on_added
from daemon.mixing.batch.rejudgement import MINUTES_KEPT, judge_again
from daemon.mixing.batch.release import judge, move_to, set_advice
from daemon.mixing.batch.salt_detection import ARRIVAL_PPT
from daemon.mixing.events import AdviceGiven, Happening, SalinityStabilised, WaterDisturbed
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from daemon.mixing.stability.detector import Stabilised
    from daemon.mixing.stability.level import Level

REJUDGE_S = 60.0
MINUTE_BINS = 6
LATE_S = 330.0
"""Readings older than this do not show the water now, s; a little more than a level spans."""


def on_stabilised(
    state: BatchState,
    finding: Stabilised,
    probe_u: float | None,
    t_s: float,
    settings: BatchSettings,
) -> list[Happening]:
    """Judge the batch once its salinity is steady.

    Without an uncertainty of the probe, the batch is verified and not judged until there are
    usable readings.

    Args:
        state: Changed in place.
        finding: Of the detector.
        probe_u: Standard uncertainty of salinity that the probe brings, by its last readings;
            None where there are none.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if state.phase not in WITH_SALT:
        return []
    steps = _unwatched(state, finding, t_s)
    state.judgement.called_salinity, state.standing = finding.salinity, None
    if state.phase in STEADY:
        if suspect_fall.is_suspect(state):
            steps += suspect_fall.end(state, "", t_s, settings)
        state.drifted_s = None
        # A former version stored no scatter: without it nothing is judged again.
        state.judgement.noise_u = (
            finding.noise_u if state.judgement.noise_u is None else state.judgement.noise_u
        )
        return steps
    volume.on_steady(state, finding.salinity, settings)
    state.judgement.salinity, state.judgement.noise_u = finding.salinity, finding.noise_u
    state.judgement.mean, state.judgement.mean_bins = None, 0
    state.judgement.salinity_u = _whole_u(state, probe_u, settings)
    called_u = None if state.judgement.salinity_u is None else round(state.judgement.salinity_u, 4)
    stabilised = SalinityStabilised(round(finding.salinity, 4), called_u, dict(finding.reason))
    steps += [Happening(stabilised), *move_to(state, Phase.VERIFYING, "salinity is steady")]
    if state.judgement.salinity_u is None:
        return steps + _without_readings(state, t_s)
    return steps + judge(state, t_s, settings)


def _whole_u(state: BatchState, probe_u: float | None, settings: BatchSettings) -> float | None:
    """Return the standard uncertainty of the vessel's salinity; None where a part is unknown."""
    if probe_u is None or state.judgement.noise_u is None:
        return None
    return combine(probe_u, state.judgement.noise_u, settings.homogeneity_u)


def _without_readings(state: BatchState, t_s: float) -> list[Happening]:
    """Put the judgement off: old readings do not show the water now."""
    state.judgement.judged_s = t_s
    text = "verifying waits until there are readings that can be used"
    return set_advice(state, "no readings", AdviceGiven(text))


def _unwatched(state: BatchState, finding: Stabilised, t_s: float) -> list[Happening]:
    """Report water that changed while no detector watched it, as after an update."""
    before = state.judgement.called_salinity
    if before is None and state.drifted_s is None:
        before = state.judgement.salinity  # a former version stored no other
    if state.phase not in STEADY or before is None:
        return []
    change = finding.salinity - before
    if abs(change) < ARRIVAL_PPT:
        return []
    cause = "salt" if change > 0 else "water"
    reason = {"called": round(before, 4), "salinity": round(finding.salinity, 4)}
    disturbed = Happening(WaterDisturbed(cause, round(change, 3), {**reason}))
    on_added(state, cause)
    return [disturbed, *dissolve(state, t_s, "salinity changed while it was not watched")]


def on_more_readings(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Judge steady water again as readings accumulate, unless salinity is moving."""
    if state.phase not in STEADY or not level.medians:
        return []
    _keep_minute(state, level)
    if state.phase is Phase.VERIFYING:
        _accumulate(state, level)
    judged_s = state.judgement.judged_s
    if (judged_s is not None and t_s - judged_s < REJUDGE_S) or level.moving():
        return []
    return _judge_now(state, level, t_s, settings)


def _keep_minute(state: BatchState, level: Level) -> None:
    """Keep the salinity of the last minute once it is over; none from before a gap."""
    judgement, now_s = state.judgement, level.times_s[-1]
    if judgement.minute_s is not None and now_s - judgement.minute_s > LATE_S:
        judgement.minutes = []
    last = level.last(MINUTE_BINS)
    if not last or (judgement.minute_s is not None and now_s - judgement.minute_s < REJUDGE_S):
        return
    judgement.minutes = [*judgement.minutes, round(median(last), 5)][-MINUTES_KEPT:]
    judgement.minute_s = now_s


def _accumulate(state: BatchState, level: Level) -> None:
    """Include the bin that has closed in the mean of the whole time since steadiness.

    Judging every minute by the last minutes alone would one day release by chance.
    """
    if state.judgement.mean is None:
        state.judgement.mean, state.judgement.mean_bins = median(level.medians), len(level.medians)
        return
    state.judgement.mean_bins += 1
    state.judgement.mean += (level.medians[-1] - state.judgement.mean) / state.judgement.mean_bins


def on_confirmed(
    state: BatchState, who: str, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Record a person's confirmation that water and bottom are clear, and judge again.

    A stale batch is verified again, from present readings, and its age begins again.
    """
    state.confirmed_by = who
    steps: list[Happening] = []
    if state.phase is Phase.STALE:
        state.age.released_s = state.judgement.released_salinity = None
        state.judgement.mean, state.judgement.mean_bins = None, 0
        state.advice = Advice()
        steps += move_to(state, Phase.VERIFYING, f"{who} asked to verify it again")
    if not level.times_s or t_s - level.times_s[-1] > LATE_S:
        return steps + _without_readings(state, t_s)
    return steps + _judge_now(state, level, t_s, settings)


def _judge_now(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Judge by the readings of the last minutes, and by none from before a gap."""
    recent = level.since(level.times_s[-1] - LATE_S)
    whole_u = _whole_u(state, level.u_since(level.times_s[-1] - LATE_S), settings)
    if not recent or whole_u is None:
        return []
    if state.phase is not Phase.VERIFYING:
        _keep_of_former_version(state)
    state.judgement.salinity = median(recent)  # a bubble would distort a mean
    state.judgement.salinity_u = whole_u
    return judge_again(state, t_s, settings)


def _keep_of_former_version(state: BatchState) -> None:
    """Keep what steady water was called and released as, where only its judgement was stored."""
    judgement = state.judgement
    if judgement.called_salinity is None and state.drifted_s is None:
        judgement.called_salinity = judgement.salinity
    if judgement.released_salinity is None and state.phase is Phase.READY:
        judgement.released_salinity = judgement.salinity
