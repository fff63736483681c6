"""When a batch is judged: once it is steady, again as readings come, and when a person asks.

Which salinity is judged, and what it is worth, is decided here; the judgement is `release`'s.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.lifecycle import added, dissolve
from daemon.mixing.batch.release import advise, judge, to
from daemon.mixing.batch.salt_detection import ARRIVAL_PPT
from daemon.mixing.batch.state import STEADY, WITH_SALT, BatchSettings, BatchState
from daemon.mixing.events import AdviceGiven, Happening, SalinityStabilised, WaterDisturbed
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from daemon.mixing.stability.detector import Stabilised
    from daemon.mixing.stability.level import Level

REJUDGE_S = 60.0
LATE_S = 330.0
"""Readings older than this say nothing of the water now; a little more than a level keeps."""


def on_stabilised(
    state: BatchState,
    found: Stabilised,
    probe_u: float | None,
    t_s: float,
    settings: BatchSettings,
) -> list[Happening]:
    """Judge the batch once its salinity is steady.

    Where nobody knows what the probe is worth, the batch is verified and not judged until
    readings tell.

    Args:
        state: Changed in place.
        found: The detector's call.
        probe_u: Standard uncertainty of salinity that the probe brings, by its last readings;
            None where there are none.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if state.phase not in WITH_SALT:
        return []
    steps = _unwatched(state, found, t_s)
    if state.phase in STEADY:
        # Kept from a version that did not tell scatter apart: without it nothing is judged again.
        state.noise_u = found.noise_u if state.noise_u is None else state.noise_u
        return []
    state.called, state.noise_u = found.salinity, found.noise_u
    state.mean, state.mean_bins = None, 0
    state.called_u = _whole_u(state, probe_u, settings)
    called_u = None if state.called_u is None else round(state.called_u, 4)
    stabilised = SalinityStabilised(round(found.salinity, 4), called_u, dict(found.reason))
    steps += [Happening(stabilised), *to(state, Phase.VERIFYING, "salinity is steady")]
    if state.called_u is None:
        return steps + _without_readings(state, t_s)
    return steps + judge(state, t_s, settings)


def _whole_u(state: BatchState, probe_u: float | None, settings: BatchSettings) -> float | None:
    """Return the standard uncertainty of the vessel's salinity; None where a part is not known."""
    if probe_u is None or state.noise_u is None:
        return None
    return combine(probe_u, state.noise_u, settings.homogeneity_u)


def _without_readings(state: BatchState, t_s: float) -> list[Happening]:
    """Let a verdict wait: what the probe said long ago vouches for nothing."""
    state.judged_s = t_s
    text = "verifying waits until there are readings that can be used"
    return advise(state, "no readings", AdviceGiven(text))


def _unwatched(state: BatchState, found: Stabilised, t_s: float) -> list[Happening]:
    """See what became of judged water while no detector watched it, as after an update."""
    if state.phase not in STEADY or state.called is None:
        return []
    change = found.salinity - state.called
    if abs(change) < ARRIVAL_PPT:
        return []
    cause = "salt" if change > 0 else "water"
    reason = {"called": round(state.called, 4), "salinity": round(found.salinity, 4)}
    disturbed = Happening(WaterDisturbed(cause, round(change, 3), {**reason}))
    added(state, cause)
    return [disturbed, *dissolve(state, t_s, "salinity changed while it was not watched")]


def on_more_readings(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Judge an undecided batch again as readings accumulate, but not water on its way."""
    if state.phase is not Phase.VERIFYING or state.judged_s is None or not level.medians:
        return []
    _accumulate(state, level)
    if t_s - state.judged_s < REJUDGE_S:
        return []
    if level.moving():
        return []
    return _judge_now(state, level, t_s, settings)


def _accumulate(state: BatchState, level: Level) -> None:
    """Take the bin that has closed into the mean of the whole time since the call.

    What is judged minute by minute by its last minutes alone is released one day by luck.
    """
    if state.mean is None:
        state.mean, state.mean_bins = median(level.medians), len(level.medians)
        return
    state.mean_bins += 1
    state.mean += (level.medians[-1] - state.mean) / state.mean_bins


def on_confirmed(
    state: BatchState, who: str, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Record a person's confirmation that water and bottom are clear, and judge again.

    A stale batch is verified again by it, from what the probe says now.
    """
    state.confirmed_by = who
    steps: list[Happening] = []
    if state.phase is Phase.STALE:
        state.ready_since_s = state.aged_from_s = None
        state.mean, state.mean_bins = None, 0
        state.forget_advice()
        steps += to(state, Phase.VERIFYING, f"{who} asked to verify it again")
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
    state.called = median(recent)  # a bubble among them would draw a mean to what it is not
    state.called_u = whole_u
    return judge(state, t_s, settings)
