"""The life of a batch, recognised from the water itself.

Nobody has to say that a batch begins: fresh purified water is seen by its
salinity, salt by its arrival, a refill by the fall.  The functions here take
what the level and the stability detector say and answer with steps: the kind
of an event and its facts, in the order in which they happened.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

from daemon.entries import Kind, Phase
from daemon.mixing.advice import Vessel, correction, undecided
from daemon.mixing.uncertainty import accept, combine, conformance_probability

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.entries import JSON
    from daemon.mixing.level import Level
    from daemon.mixing.stability import Disturbed, Stabilised

Step: TypeAlias = "tuple[Kind, dict[str, JSON]]"

ARRIVAL_PPT = 0.3
FRESH_BINS = 6
FALL_SHARE = 0.5
SALTED_PPT = 2.0
REJUDGE_S = 60.0
STEADY = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
WITH_SALT = (Phase.DISSOLVING, *STEADY)


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """What a batch in one reservoir has to be.

    Attributes:
        target_ppt: Practical salinity wanted.
        tolerance_ppt: Allowed to either side.
        use_within_h: Hours after release until it is stale.
        settle_within_min: Minutes after which dissolving is overdue.
        release_confidence: Probability of being within tolerance that release needs.
        blank_max_ppt: Water below it is purified water.
        vessel: What it is mixed in, for advice.
    """

    target_ppt: float = 34.0
    tolerance_ppt: float = 1.0
    use_within_h: float = 24.0
    settle_within_min: float = 30.0
    release_confidence: float = 0.95
    blank_max_ppt: float = 1.0
    vessel: Vessel = field(
        default_factory=lambda: Vessel(fill_l=180.0, capacity_l=220.0, mix_yield=0.881)
    )


@dataclass(slots=True)
class BatchState:
    """Where the batch stands; plain data.

    Attributes:
        phase: The phase.
        id: Of the batch; empty when none is known.
        day: Day of the last id, and `count` how many it has had.
        count: See `day`.
        rest_level: Salinity of the water before anything was added.
        peak: Highest level since the batch began.
        salted_since_s: When dissolving began, s.
        called: Salinity of the last `stabilised` call.
        called_u: Its standard uncertainty.
        probability: Of being within tolerance.
        judged_s: When that was last worked out, s.
        ready_since_s: When it was released, s; None when it is not.
        was_ready: Whether it has been released at any time.
        advice: The sentence in force; empty when there is none.
    """

    phase: Phase = Phase.IDLE
    id: str = ""
    day: str = ""
    count: int = 0
    rest_level: float | None = None
    peak: float = 0.0
    salted_since_s: float | None = None
    called: float | None = None
    called_u: float | None = None
    probability: float | None = None
    judged_s: float | None = None
    ready_since_s: float | None = None
    was_ready: bool = False
    advice: str = ""


def age_h(state: BatchState, t_s: float) -> float | None:
    """Hours since release; None when the batch is not released."""
    return None if state.ready_since_s is None else (t_s - state.ready_since_s) / 3600.0


def on_level(
    state: BatchState,
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
) -> list[Step]:
    """Recognise what the level shows after one more of its bins has closed.

    Args:
        state: Changed in place.
        level: Ten-second medians of salinity; cleared when other water is seen.
        t_s: Monotonic time, s.
        reservoir: Name, for the batch's id.
        wall: UTC, for the batch's id.
        settings: What the batch has to be.

    Returns:
        Steps in order; one that leads to `dissolving` tells the caller to arm
        the stability detector.
    """
    now = level.now()
    if now is None:
        return []
    if state.phase is Phase.IDLE:
        return _idle(state, level, now, t_s, _next_id(state, reservoir, wall), settings)
    if state.phase is Phase.BLANK:
        return _blank(state, level, now, t_s)
    steps = _refilled(state, level, now, _next_id(state, reservoir, wall), settings)
    return steps or _aged(state, t_s, settings)


def on_stabilised(
    state: BatchState, found: Stabilised, probe_u: float, t_s: float, settings: BatchSettings
) -> list[Step]:
    """Judge the batch once its salinity is steady.

    Args:
        state: Changed in place.
        found: The detector's call.
        probe_u: Standard uncertainty of salinity that the probe brings.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if state.phase not in WITH_SALT:
        return []
    steps = _unwatched(state, found, t_s)
    if state.phase in STEADY:
        return []
    state.called, state.called_u = found.salinity, combine(probe_u, found.noise_u)
    facts: dict[str, JSON] = {
        "salinity": round(found.salinity, 4),
        "salinity_u": round(state.called_u, 4),
        "reason": dict(found.reason),
    }
    steps += [(Kind.STABILISED, facts), *_to(state, Phase.VERIFYING, "salinity is steady")]
    return steps + _judge(state, t_s, settings)


def _unwatched(state: BatchState, found: Stabilised, t_s: float) -> list[Step]:
    """See what became of judged water while no detector watched it, as after an update."""
    if state.phase not in STEADY or state.called is None:
        return []
    change = found.salinity - state.called
    if abs(change) < ARRIVAL_PPT:
        return []
    facts: dict[str, JSON] = {
        "cause": "salt" if change > 0 else "water",
        "change": round(change, 3),
        "reason": {"called": round(state.called, 4), "salinity": round(found.salinity, 4)},
    }
    steps: list[Step] = [(Kind.DISTURBED, facts)]
    return steps + _dissolve(state, t_s, "salinity changed while it was not watched")


def on_disturbed(state: BatchState, found: Disturbed, t_s: float) -> list[Step]:
    """Go back to dissolving because the water changed after it was steady."""
    if state.phase not in STEADY:
        return []
    causes = {
        "salt": "salt was added or went into solution",
        "water": "water was added",
        "drift": "salinity is drifting",
        "pump": "the pump's movement changed",
    }
    facts: dict[str, JSON] = {
        "cause": found.cause,
        "change": round(found.change, 3),
        "reason": dict(found.reason),
    }
    why = causes.get(found.cause, found.cause)
    steps: list[Step] = [(Kind.DISTURBED, facts)]
    return steps + _dissolve(state, t_s, why)


def on_more_readings(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings
) -> list[Step]:
    """Judge an undecided batch again as readings accumulate."""
    waiting = state.phase is Phase.VERIFYING and state.judged_s is not None
    if not waiting or t_s - (state.judged_s or 0.0) < REJUDGE_S or not level.medians:
        return []
    state.called = sum(level.medians) / len(level.medians)
    return _judge(state, t_s, settings)


def _idle(
    state: BatchState,
    level: Level,
    now: float,
    t_s: float,
    new: BatchState,
    settings: BatchSettings,
) -> list[Step]:
    fresh = level.last(FRESH_BINS)
    if fresh and max(fresh) <= settings.blank_max_ppt:
        return _begin_blank(state, new, now, "purified water seen")
    state.peak = max(now, state.peak)
    if now < FALL_SHARE * state.peak and state.peak > SALTED_PPT:
        return _begin_blank(state, new, now, "purified water seen running onto old water")
    low, high = level.quartiles()
    if max(now - low, high - now) < ARRIVAL_PPT or _still_falling(level):
        return []
    why = "salt seen arriving" if now > low + ARRIVAL_PPT else "water seen arriving"
    return [*_adopt(state, new, now), *_dissolve(state, t_s, why)]


def _still_falling(level: Level) -> bool:
    """Say whether water may still be running in, so that it is too early to name it."""
    recent = level.medians[-FRESH_BINS:]
    return bool(recent) and recent[-1] < recent[0] - ARRIVAL_PPT / 3


def _blank(state: BatchState, level: Level, now: float, t_s: float) -> list[Step]:
    low, _ = level.quartiles()
    state.rest_level = now if state.rest_level is None else min(state.rest_level, max(low, 0.0))
    if now < min(low, state.rest_level) + ARRIVAL_PPT or _still_falling(level):
        return []
    return _dissolve(state, t_s, "salt seen arriving")


def _refilled(
    state: BatchState, level: Level, now: float, new: BatchState, settings: BatchSettings
) -> list[Step]:
    """See the batch gone: replaced by purified water, perhaps on a heel of itself."""
    state.peak = max(now, state.peak)
    fresh = level.last(FRESH_BINS)
    gone = bool(fresh) and max(fresh) <= settings.blank_max_ppt
    thinned = state.called is not None and now < FALL_SHARE * state.called
    if state.peak < SALTED_PPT or not (gone or thinned):
        return []
    how = "used" if state.was_ready else "discarded"
    ended: Step = (
        Kind.BATCH,
        {"what": "ended", "batch": state.id, "how": how, "by": "seen refilled"},
    )
    level.clear()
    return [ended, *_begin_blank(state, new, now, "purified water seen in place of the batch")]


def _aged(state: BatchState, t_s: float, settings: BatchSettings) -> list[Step]:
    age = age_h(state, t_s)
    if state.phase is not Phase.READY or age is None or age <= settings.use_within_h:
        return []
    state.advice = (
        f"released {age:.1f} h ago, use within {settings.use_within_h:g} h: mix and verify again,"
        " or discard"
    )
    steps = _to(state, Phase.STALE, f"older than {settings.use_within_h:g} h")
    return [*steps, (Kind.ADVICE, {"advice": state.advice})]


def _judge(state: BatchState, t_s: float, settings: BatchSettings) -> list[Step]:
    if state.called is None or state.called_u is None:
        return []
    low = settings.target_ppt - settings.tolerance_ppt
    high = settings.target_ppt + settings.tolerance_ppt
    state.judged_s = t_s
    state.probability = conformance_probability(state.called, state.called_u, low, high)
    verdict = accept(state.called, state.called_u, low, high, settings.release_confidence)
    found = f"{state.called:.2f} ± {2 * state.called_u:.2f} ppt (k=2)"
    if verdict == "inside":
        state.ready_since_s, state.was_ready, state.advice = t_s, True, ""
        return _to(state, Phase.READY, f"{found} is within {low:g} to {high:g} ppt")
    told = correction(state.called, settings.target_ppt, settings.vessel)
    if verdict == "outside":
        steps = _to(state, Phase.OFF_TARGET, f"{found} is outside {low:g} to {high:g} ppt")
        return steps + _advise(state, told)
    if state.advice:
        return []
    told["probability"] = round(state.probability, 4)
    told["advice"] = (
        undecided(state.probability, state.called_u, low, high, settings.release_confidence)
        + f"; {told['advice']} to reach {settings.target_ppt:g} ppt"
    )
    return _advise(state, told)


def _advise(state: BatchState, told: dict[str, JSON]) -> list[Step]:
    state.advice = str(told["advice"])
    return [(Kind.ADVICE, told)]


def _begin_blank(state: BatchState, new: BatchState, now: float, why: str) -> list[Step]:
    began = _adopt(state, new, now)
    state.rest_level = now
    return [*began, *_to(state, Phase.BLANK, why)]


def _dissolve(state: BatchState, t_s: float, why: str) -> list[Step]:
    state.salted_since_s, state.ready_since_s = t_s, None
    state.probability, state.judged_s, state.advice = None, None, ""
    return _to(state, Phase.DISSOLVING, why)


def _to(state: BatchState, phase: Phase, why: str) -> list[Step]:
    facts: dict[str, JSON] = {"from": str(state.phase), "to": str(phase), "why": why}
    if state.probability is not None:
        facts["probability"] = round(state.probability, 4)
    state.phase = phase
    return [(Kind.PHASE, facts)]


def _next_id(state: BatchState, reservoir: str, wall: datetime) -> BatchState:
    # A clock that is set back must not give a name a second time.
    day = max(f"{wall:%Y%m%d}", state.day)
    count = state.count + 1 if day == state.day else 1
    return BatchState(id=f"{reservoir}-{day}-{count}", day=day, count=count)


def _adopt(state: BatchState, new: BatchState, now: float) -> list[Step]:
    """Let the new batch take the old one's place; the phase stays until a step moves it."""
    for name in BatchState.__slots__:
        if name != "phase":
            setattr(state, name, getattr(new, name))
    return [(Kind.BATCH, {"what": "began", "salinity": round(now, 3)})]
