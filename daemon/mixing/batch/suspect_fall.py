"""A batch whose salinity fell at once, and nobody knows why: a bubble on the probe, or water.

Until that is known nothing claims that all is right: the batch is suspended, and nothing is judged
by what is read meanwhile.  Where the level called is read again, the batch resumes as it was.
Where the fall stays, it is taken for water; and if the level called is read again soon after
that, the verdict and the age are reinstated as they were.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.ageing import is_too_old
from daemon.mixing.batch.batch_state import STEADY, Standing, Suspension
from daemon.mixing.batch.release import expire, move_to
from daemon.mixing.events import BatchReinstated, BatchResumed, BatchSuspended, Happening

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState
    from daemon.mixing.stability.findings import Recovered
    from daemon.mixing.stability.level import Level
    from daemon.mixing.stability.sudden_fall import SuspectFall

QUESTION = (
    "is there a bubble on the probe (wipe it off), or was water added (answer same-water, and it"
    " is mixed again)?"
)
IS_BACK = "salinity is back where it was"
GROWS_STALE = (Phase.VERIFYING, Phase.READY)


def is_suspect(state: BatchState) -> bool:
    """Return whether the batch is suspended because nobody knows why its salinity fell."""
    return state.suspension is not None and state.suspension.fell


def follow(
    state: BatchState,
    fall: SuspectFall | None,
    level: Level,
    t_s: float,
    since_s: float,
    at_words: str,
    settings: BatchSettings,
    answers: tuple[str, ...],
) -> list[Happening]:
    """Suspend a steady batch whose salinity fell at once, or let it go on once it is back.

    Args:
        state: Changed in place.
        fall: Of which nobody knows why it came; None for none.
        level: Salinity of the last minutes; what was read since the fall is forgotten.
        t_s: Monotonic time, s.
        since_s: When the fall began, s; now without one.
        at_words: The same as a time of day.
        settings: What a batch has to be.
        answers: What a person can answer.
    """
    if fall is None:
        return back(state, t_s, settings) if is_suspect(state) else []
    if state.phase not in STEADY:
        return []
    if state.suspension is None:
        level.forget_since(since_s)
        return _suspend(state, fall, since_s, at_words, settings, answers)
    if state.suspension.fell:
        state.suspension.why = _why(fall, at_words)
    return []


def _suspend(
    state: BatchState,
    fall: SuspectFall,
    since_s: float,
    at_words: str,
    settings: BatchSettings,
    answers: tuple[str, ...],
) -> list[Happening]:
    why, was_ready = _why(fall, at_words), state.phase is Phase.READY
    state.standing = standing_of(state, settings)
    state.suspension = Suspension(since_s, why, was_ready, fell=True)
    state.place_hold = "salinity fell at once, and nobody knows why"
    steps = [Happening(BatchSuspended(why, QUESTION, answers))]
    if was_ready:
        state.judgement.probability = None
        steps += move_to(state, Phase.VERIFYING, "release is withheld: salinity fell at once")
    return steps


def _why(fall: SuspectFall, at_words: str) -> str:
    """Return why nothing is known, and for how long at most."""
    most_min = fall.wait_s / 60.0
    return (
        f"salinity fell by {-fall.change:.2f} ppt at {at_words}: a bubble is on the probe, or water"
        f" came; waiting up to {most_min:.0f} min for it to go"
    )


def back(
    state: BatchState, t_s: float, settings: BatchSettings, why: str = IS_BACK
) -> list[Happening]:
    """Resume a suspended batch as it was before its salinity fell."""
    standing, state.suspension, state.place_hold = state.standing, None, ""
    state.standing = None
    steps = [Happening(BatchResumed(why))]
    released = standing is not None and standing.phase is Phase.READY
    if standing is None or not released or state.phase is not Phase.VERIFYING:
        return steps
    if is_too_old(state, t_s, settings):
        return steps + expire(state, t_s, settings)
    state.judgement.probability = standing.judgement.probability
    steps += move_to(state, Phase.READY, f"{why}; it is released as before")
    state.contradicted_s = standing.contradicted_s
    return steps


def end(state: BatchState, cause: str, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Decide about a suspect fall by what is known now; after water a batch may be reinstated.

    Args:
        state: Changed in place.
        cause: Of the disturbance that is known now.
        t_s: Monotonic time, s.
        settings: What a batch has to be.
    """
    suspect = is_suspect(state)
    if cause == "drift":
        return back(state, t_s, settings, "salinity drifts") if suspect else []
    if cause == "water" and not suspect:
        state.standing = standing_of(state, settings)
    if not suspect:
        return []
    state.suspension, state.place_hold = None, ""
    return [Happening(BatchResumed("salinity did not come back: the water has changed"))]


def standing_of(state: BatchState, settings: BatchSettings) -> Standing:
    """Return phase, verdict and age of a batch, to be reinstated."""
    return Standing(
        phase=state.phase,
        judgement=deepcopy(state.judgement),
        advice=deepcopy(state.advice),
        confirmed_by=state.confirmed_by,
        second=deepcopy(state.second),
        contradicted_s=state.contradicted_s,
        drifted_s=state.drifted_s,
        dissolving_since_s=state.dissolving_since_s,
        dissolving_why=state.dissolving_why,
        remaining=state.remaining,
        salt=deepcopy(state.salt),
        thinned_from=state.volume.thinned_from,
        limits=_limits(settings),
    )


def can_reinstate(state: BatchState, settings: BatchSettings) -> bool:
    """Return whether a batch that dissolves again may be reinstated as what it stood as."""
    standing = state.standing
    return (
        standing is not None
        and state.phase is Phase.DISSOLVING
        and state.suspension is None
        and standing.limits == _limits(settings)
    )


def reinstate(
    state: BatchState, found: Recovered, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Let a batch stand as it did before a fall was taken for water; its age has gone on.

    Args:
        state: Changed in place; `can_reinstate` holds.
        found: What the detector says.
        t_s: Monotonic time, s.
        settings: What a batch has to be.
    """
    standing, state.standing = state.standing, None
    if standing is None:
        return []
    state.judgement, state.advice = standing.judgement, standing.advice
    state.confirmed_by, state.second = standing.confirmed_by, standing.second
    state.drifted_s, state.remaining = standing.drifted_s, standing.remaining
    state.dissolving_since_s = standing.dissolving_since_s
    state.dissolving_why = standing.dissolving_why
    state.salt, state.volume.thinned_from = standing.salt, standing.thinned_from
    why = (
        f"salinity is back within {found.tolerance:.2f} of the {found.level:.2f} ppt called, after"
        f" {found.minutes:.0f} min: it was no water that came"
    )
    if standing.phase in GROWS_STALE and is_too_old(state, t_s, settings):
        steps = expire(state, t_s, settings)
    else:
        steps = move_to(state, standing.phase, f"{why}; the verdict is the one before")
        state.contradicted_s = standing.contradicted_s
    reinstated = BatchReinstated(
        why, standing.phase, round(found.level, 4), round(found.minutes, 1)
    )
    return [*steps, Happening(reinstated)]


def with_times(
    steps: list[Happening], stable_at: str | None, released_at: str | None
) -> list[Happening]:
    """Return the steps, a reinstatement with the times that hold again."""
    return [
        replace(each, body=replace(each.body, stable_at=stable_at, released_at=released_at))
        if isinstance(each.body, BatchReinstated)
        else each
        for each in steps
    ]


def _limits(settings: BatchSettings) -> tuple[float, float, float]:
    return settings.low_ppt, settings.high_ppt, settings.release_confidence
