"""The life of a batch, recognised from the water itself.

Nobody has to say that a batch begins: fresh purified water is seen by its
salinity, salt by its arrival, a refill by the fall.  The functions here take
what the level and the stability detector say and return what happened, in its
order.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.release import advise, shortfall, to
from daemon.mixing.batch.salt_detection import ARRIVAL_PPT, FRESH_BINS, arrived, still_falling
from daemon.mixing.batch.state import ENDED_KEPT, STEADY, WITH_SALT, BatchSettings, BatchState
from daemon.mixing.events import AdviceGiven, BatchBegan, BatchEnded, Happening, WaterDisturbed
from daemon.mixing.seawater.properties import conductivity_mS_cm

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.stability.detector import Disturbed
    from daemon.mixing.stability.level import Level

__all__ = ["STEADY", "WITH_SALT", "BatchSettings", "BatchState", "age_h"]

FALL_SHARE = 0.5
SALTED_PPT = 2.0
STALE_SOON_H = 1.0
"""Within it of being stale, water is not worth mixing for keeping."""
FLAT_SHARE, FLAT_PPT = 0.05, 0.0005
"""Water that changes by more within a minute is still being poured, or salt creeps up in it."""
CAUSES = {
    "salt": "salt was added or went into solution",
    "water": "water was added",
    "drift": "salinity is drifting",
    "pump": "the pump's movement changed",
    "calibration": "what the probe is worth has changed, and the water is judged again by it",
}


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
) -> list[Happening]:
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
        return _blank(state, level, now, t_s, settings)
    steps = _refilled(state, level, now, _next_id(state, reservoir, wall), settings)
    return steps or _aged(state, t_s, settings)


def added(state: BatchState, cause: str) -> None:
    """Count with what was told of the salt only as far as it can account for what came since."""
    if state.told is None or cause not in ("salt", "water"):
        return
    short = shortfall(state)
    # Salt that was missing may be what has come now, from the bottom.
    missed = short is not None and short.missing_g > 0.0
    if state.told.teaches and not missed:
        state.told.stood_at, state.told.stood_u = state.called, state.called_u
    state.told.holds, state.told.teaches = cause == "salt" and missed, False


def on_disturbed(state: BatchState, found: Disturbed, t_s: float) -> list[Happening]:
    """Go back to dissolving because the water changed after it was steady."""
    if state.phase not in STEADY:
        return []
    disturbed = WaterDisturbed(found.cause, round(found.change, 3), dict(found.reason))
    why = CAUSES.get(found.cause, found.cause)
    added(state, found.cause)
    return [Happening(disturbed), *dissolve(state, t_s, why)]


def end(state: BatchState, how: str, by: str) -> list[Happening]:
    """End the batch `used` or `discarded`; the reservoir holds no batch then."""
    ended = Happening(BatchEnded(how, by), state.id)
    state.probability = None
    left = [
        Happening(each.body, state.id) for each in to(state, Phase.IDLE, f"the batch was {how}")
    ]
    none = BatchState(day=state.day, count=state.count, lot=state.lot)
    none.ended = _with_ended(state, how)
    _forget(state, none)
    return [ended, *left]


def begin(
    state: BatchState,
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
) -> list[Happening]:
    """Begin a batch because somebody says that there is one."""
    now, new = level.now(), _next_id(state, reservoir, wall)
    why = "somebody said that a batch is being mixed"
    if now is not None and now <= settings.blank_max_ppt:
        return _begin_blank(state, new, now, why)
    return [*_adopt(state, new, now), *dissolve(state, t_s, why)]


def _idle(
    state: BatchState,
    level: Level,
    now: float,
    t_s: float,
    new: BatchState,
    settings: BatchSettings,
) -> list[Happening]:
    fresh = level.last(FRESH_BINS)
    if fresh and max(fresh) <= settings.blank_max_ppt:
        return _begin_blank(state, new, now, "purified water seen")
    state.peak = max(now, state.peak)
    if now < FALL_SHARE * state.peak and state.peak > SALTED_PPT:
        return _begin_blank(state, new, now, "purified water seen running onto old water")
    why = arrived(state, level, now, t_s)
    return [*_adopt(state, new, now), *dissolve(state, t_s, why)] if why else []


def _blank(
    state: BatchState, level: Level, now: float, t_s: float, settings: BatchSettings
) -> list[Happening]:
    low, _ = level.quartiles()
    if state.told is not None and state.salted_since_s is None:
        # Salt that is told and does not come must be missed.
        state.salted_since_s = t_s
    state.rest_level = now if state.rest_level is None else min(state.rest_level, max(low, 0.0))
    if now < min(low, state.rest_level) + ARRIVAL_PPT or still_falling(level):
        return _purity(state, level, settings)
    return dissolve(state, t_s, "salt seen arriving")


def _purity(state: BatchState, level: Level, settings: BatchSettings) -> list[Happening]:
    """Say that purified water is not pure before salt is wasted on it."""
    recent = level.last(FRESH_BINS)
    if not recent or max(recent) > settings.blank_max_ppt or _salt_creeps(state, settings):
        return []
    # What runs in or creeps up from the bottom is not yet what it will be.
    if max(recent) - min(recent) > FLAT_SHARE * max(recent) + FLAT_PPT:
        return []
    shown = _uS_cm(median(recent))
    impure = shown > settings.purified_max_uS_cm
    if impure == state.impure:
        return []
    state.impure = impure
    if not impure:
        state.forget_advice()
        return [Happening(AdviceGiven("the purified water is pure now", uS_cm=round(shown, 1)))]
    text = (
        f"the water reads {shown:.0f} µS/cm at 25 °C before any salt, more than"
        f" {settings.purified_max_uS_cm:g}: the purifier is spent, old water was left, or the"
        " probe's zero is off; add no salt until it is known which"
    )
    return advise(state, "impure", AdviceGiven(text, uS_cm=round(shown, 1)))


def _salt_creeps(state: BatchState, settings: BatchSettings) -> bool:
    """Say whether water that was pure may conduct because of salt that was told."""
    pure = state.rest_level is not None and _uS_cm(state.rest_level) <= settings.purified_max_uS_cm
    return pure and state.told is not None and not state.impure


def _uS_cm(salinity: float) -> float:
    return conductivity_mS_cm(max(salinity, 0.0), 25.0) * 1000.0


def _refilled(
    state: BatchState, level: Level, now: float, new: BatchState, settings: BatchSettings
) -> list[Happening]:
    """See the batch gone: replaced by purified water, perhaps on a heel of itself."""
    state.peak = max(now, state.peak)
    fresh = level.last(FRESH_BINS)
    gone = bool(fresh) and max(fresh) <= settings.blank_max_ppt
    thinned = state.called is not None and now < FALL_SHARE * state.called
    if state.peak < SALTED_PPT or not (gone or thinned):
        return []
    how = "used" if state.was_ready else "discarded"
    ended = Happening(BatchEnded(how, "seen refilled"), state.id)
    new.ended = _with_ended(state, how)
    level.clear()
    return [ended, *_begin_blank(state, new, now, "purified water seen in place of the batch")]


def _with_ended(state: BatchState, how: str) -> dict[str, str]:
    kept = [*state.ended.items(), (state.id, how)][-ENDED_KEPT:]
    return dict(kept)


def _aged(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    age = age_h(state, t_s)
    if state.phase is not Phase.READY or age is None:
        return []
    if age <= settings.use_within_h:
        return _stood(state, age, t_s, settings)
    # What was vouched for was the water of then.
    state.was_stale, state.confirmed_by, state.second = True, "", None
    steps = to(state, Phase.STALE, f"older than {settings.use_within_h:g} h")
    text = (
        f"released {age:.1f} h ago, use within {settings.use_within_h:g} h: mix it and confirm it"
        " to have it verified again, or discard it"
    )
    return steps + advise(state, "stale", AdviceGiven(text))


def _stood(state: BatchState, age: float, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Advise to mix water that has stood for long.

    A solution does not separate; but water that was never mixed lies in layers that keep.
    """
    since_s = max(state.remix_told_s or 0.0, state.ready_since_s or 0.0)
    stale_soon = settings.use_within_h - age < STALE_SOON_H
    if stale_soon or t_s - since_s < settings.remix_every_h * 3600.0:
        return []
    state.remix_told_s = t_s
    text = (
        f"released {age:.0f} h ago: run the pump for some minutes; a solution does not separate,"
        " but standing water may be layered where it was never mixed"
    )
    return [Happening(AdviceGiven(text))]


def _begin_blank(state: BatchState, new: BatchState, now: float, why: str) -> list[Happening]:
    began = _adopt(state, new, now)
    state.rest_level = now
    return [*began, *to(state, Phase.BLANK, why)]


def dissolve(state: BatchState, t_s: float, why: str) -> list[Happening]:
    state.salted_since_s, state.ready_since_s, state.remaining = t_s, None, None
    state.probability, state.judged_s = None, None
    state.forget_advice()
    # What was vouched for was the water before.
    state.confirmed_by, state.second = "", None
    return to(state, Phase.DISSOLVING, why)


def _next_id(state: BatchState, reservoir: str, wall: datetime) -> BatchState:
    # A clock that is set back must not give a name a second time.
    day = max(f"{wall:%Y%m%d}", state.day)
    count = state.count + 1 if day == state.day else 1
    return BatchState(
        id=f"{reservoir}-{day}-{count}",
        day=day,
        count=count,
        ended=dict(state.ended),
        lot=state.lot,
    )


def _adopt(state: BatchState, new: BatchState, now: float | None) -> list[Happening]:
    """Let the new batch take the old one's place; the phase stays until a step moves it."""
    _forget(state, new)
    salinity = None if now is None else round(now, 3)
    return [Happening(BatchBegan(salinity))]


def _forget(state: BatchState, new: BatchState) -> None:
    for name in BatchState.__slots__:
        if name != "phase":
            setattr(state, name, getattr(new, name))
