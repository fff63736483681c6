"""The life of a batch, recognised from the water itself.

No command is needed to begin a batch: purified water is recognised by its salinity, salt by the
rise, a refill by the fall.  The functions here take the level and the findings of the stability
detector, and return what happened, in order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import contradiction, suspect_fall, volume
from daemon.mixing.batch.ageing import age_h
from daemon.mixing.batch.batch_state import (
    ENDED_KEPT,
    STEADY,
    WITH_SALT,
    Advice,
    BatchIdentity,
    BatchSettings,
    BatchState,
)
from daemon.mixing.batch.purity import report_purity
from daemon.mixing.batch.release import disagreement, expire, move_to, shortfall
from daemon.mixing.batch.salt_detection import (
    ARRIVAL_PPT,
    FRESH_BINS,
    SALT_ARRIVES,
    arrived,
    still_falling,
)
from daemon.mixing.events import AdviceGiven, BatchBegan, BatchEnded, Happening, WaterDisturbed
from daemon.mixing.probe.air_zero import is_water
from daemon.mixing.probe.departure import DEEP_SHARE
from daemon.mixing.probe.place import accept, course_from, leave
from daemon.mixing.probe.place_state import Course

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.probe.place_state import PlaceState
    from daemon.mixing.stability.detector import Disturbed
    from daemon.mixing.stability.level import Level

__all__ = ["STEADY", "WITH_SALT", "BatchSettings", "BatchState", "age_h"]

SALTED_PPT = 2.0
LEFT_OVER_PPT, LEFT_OVER_SHARE = 0.5, 0.5
"""Saltier than this share of what an ended batch had, water is its water still."""
STALE_SOON_H = 1.0
"""Within it of being stale, water is not worth mixing for keeping."""
GROWS_STALE = (Phase.VERIFYING, Phase.READY)
CAUSES = {
    "salt": "salt was added or went into solution",
    "water": "water was added",
    "pump": "the pump's movement changed",
    "calibration": "what the probe is worth has changed, and the water is judged again by it",
}


def on_level(
    state: BatchState,
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
    place: PlaceState,
) -> list[Happening]:
    """Recognise what happened after one more bin of the level has closed.

    Args:
        state: Changed in place.
        level: Ten-second medians of salinity; cleared when other water has come.
        t_s: Monotonic time, s.
        reservoir: Name, for the batch's id.
        wall: UTC, for the batch's id.
        settings: What the batch has to be.
        place: Where the probe that decides is.

    Returns:
        Steps in order; one that leads to `dissolving` tells the caller to arm
        the stability detector.
    """
    now = level.now()
    if now is None:
        return []
    if state.phase is Phase.IDLE:
        return _idle(state, level, now, t_s, state.next_identity(reservoir, wall), place, settings)
    if state.phase is Phase.BLANK:
        return _blank(state, level, now, t_s, place, settings)
    return []


def on_added(state: BatchState, cause: str) -> None:
    """Stop comparing with the recorded salt where something came that it does not include.

    Water that came is remembered for its volume.
    """
    volume.on_added(state, cause)
    if state.salt is None or cause not in ("salt", "water"):
        return
    short = shortfall(state)
    # Missing salt may have come now, from the bottom.
    missed = short is not None and short.missing_g > 0.0
    if state.salt.undisturbed and not missed:
        state.salt.steady_salinity, state.salt.steady_u = (
            state.judgement.salinity,
            state.judgement.salinity_u,
        )
    state.salt.comparable, state.salt.undisturbed = cause == "salt" and missed, False


def on_disturbed(
    state: BatchState, finding: Disturbed, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Go back to dissolving because the water changed after it was steady.

    A drift does not lead there: nothing is being mixed.  The water is judged at once, and each
    minute, by its present readings.
    """
    if state.phase not in STEADY:
        return []
    resumed = suspect_fall.end(state, finding.cause, t_s, settings)
    disturbed = WaterDisturbed(finding.cause, round(finding.change, 3), dict(finding.reason))
    if finding.cause == "drift":
        _drifted(state, t_s)
        return [*resumed, Happening(disturbed)]
    why = CAUSES.get(finding.cause, finding.cause)
    standing = state.standing if finding.cause == "water" else None
    on_added(state, finding.cause)
    steps = dissolve(state, t_s, why)
    state.standing = standing
    return [*resumed, Happening(disturbed), *steps]


def _drifted(state: BatchState, t_s: float) -> None:
    """Let nothing from before a drift decide about the water now; its age goes on."""
    state.drifted_s = t_s
    state.judgement.mean, state.judgement.mean_bins = None, 0
    state.judgement.judged_s = state.judgement.called_salinity = None
    if not disagreement(state):
        # It was of the water before, and would contradict what has become of it.
        state.second = None
    state.confirmed_by = ""
    if state.salt is not None and state.age.was_released:
        # The water accounted for its salt when it was released.
        state.salt.comparable = False


def end(state: BatchState, how: str, by: str) -> list[Happening]:
    """End the batch `used` or `discarded`; the reservoir holds no batch then."""
    ended = Happening(BatchEnded(how, by), state.id)
    state.judgement.probability = None
    left = [
        Happening(each.body, state.id)
        for each in move_to(state, Phase.IDLE, f"the batch was {how}")
    ]
    state.ended = with_ended(state, how)
    left_over = state.judgement.salinity or state.levels.peak or None
    state.replace_batch(BatchIdentity("", state.day, state.count))
    state.levels.ended = left_over
    return [ended, *left]


def begin(
    state: BatchState,
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
) -> list[Happening]:
    """Begin a batch by command."""
    now, identity = level.now(), state.next_identity(reservoir, wall)
    why = "a command reports that a batch is being mixed"
    if now is not None and now <= settings.blank_max_ppt:
        return begin_blank(state, identity, now, why)
    return [*_adopt(state, identity, now), *dissolve(state, t_s, why)]


def _idle(
    state: BatchState,
    level: Level,
    now: float,
    t_s: float,
    identity: BatchIdentity,
    place: PlaceState,
    settings: BatchSettings,
) -> list[Happening]:
    fresh = level.last(FRESH_BINS)
    if fresh and max(fresh) <= settings.blank_max_ppt and state.levels.ended is not None:
        # Where there was salt water, it may hang dry.
        leave(place, state.levels.ended, t_s, moving=False)
        return []
    if fresh and max(fresh) <= settings.blank_max_ppt:
        # What reads no more than air need not be water.
        return begin_blank(state, identity, now, "purified water seen") if is_water(place) else []
    state.levels.peak = max(now, state.levels.peak)
    if (
        place.home is None
        and state.levels.ended is None
        and state.levels.peak > SALTED_PPT
        and now < DEEP_SHARE * state.levels.peak
    ):
        # It was not watched for long enough to know how it rested.
        return begin_blank(state, identity, now, "purified water seen running onto old water")
    why = arrived(state, level, now, t_s)
    if not why or not _is_new_water(state, level, now, place):
        return []
    accept(place)
    return [*_adopt(state, identity, now), *dissolve(state, t_s, why)]


def _is_new_water(state: BatchState, level: Level, now: float, place: PlaceState) -> bool:
    """Return whether a change of water without a batch makes it another water."""
    rests = level.quartiles()[0] if state.levels.idle is None else state.levels.idle
    if now > rests and is_left_over(state, rests):
        # Salt that still went into solution when the batch was ended makes no other water.
        state.levels.idle = now
        return False
    ended = state.levels.ended
    if ended is not None and abs(now - ended) <= LEFT_OVER_PPT:
        # The probe is back in what the ended batch left.
        state.levels.idle = now
        return False
    if now < DEEP_SHARE * rests:
        # Once it is at rest, it is known for other water.
        return False
    course = course_from(place, rests)
    # Where the probe was put into it, or nobody saw how it came, it need not be new.
    return course is Course.GRADUAL or (course is Course.UNSEEN and now <= rests)


def is_left_over(state: BatchState, salinity: float) -> bool:
    """Return whether water without a batch is what an ended batch left."""
    return state.levels.ended is not None and salinity > LEFT_OVER_SHARE * state.levels.ended


def _blank(
    state: BatchState,
    level: Level,
    now: float,
    t_s: float,
    place: PlaceState,
    settings: BatchSettings,
) -> list[Happening]:
    low, _ = level.quartiles()
    if state.salt is not None and state.dissolving_since_s is None:
        # From now on, recorded salt that does not come is overdue.
        state.dissolving_since_s = t_s
    state.levels.before_salt = (
        now if state.levels.before_salt is None else min(state.levels.before_salt, max(low, 0.0))
    )
    if now < min(low, state.levels.before_salt) + ARRIVAL_PPT or still_falling(level):
        return report_purity(state, level, t_s, settings)
    course = course_from(place, state.levels.before_salt)
    if course is Course.SUDDEN:
        return []
    accept(place)
    if course is Course.UNSEEN:
        place.unproven_s = t_s
    return dissolve(state, t_s, SALT_ARRIVES)


def with_ended(state: BatchState, how: str) -> dict[str, str]:
    """Return how the last batches ended, this one included."""
    return dict([*state.ended.items(), (state.id, how)][-ENDED_KEPT:])


def on_time(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Recognise what time alone brings, with readings or without.

    Water grows too old, and a release that is contradicted stands for a short time only.

    Water that is outside its limits stays off target, and water that is mixed again stays
    dissolving, however old it is.
    """
    age = age_h(state, t_s)
    if age is None:
        return []
    if age <= settings.use_within_h:
        if state.contradicted_s is not None:
            withdrawn = contradiction.on_time(state, t_s, settings)
            if withdrawn:
                return withdrawn
        if state.phase is not Phase.READY:
            return []
        return _remix_advice(state, age, t_s, settings)
    return expire(state, t_s, settings) if state.phase in GROWS_STALE else []


def _remix_advice(
    state: BatchState, age: float, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Advise to mix water that has stood for long.

    A solution does not separate; but water that was never mixed lies in layers that keep.
    """
    since_s = max(state.age.remix_advised_s or 0.0, state.age.released_s or 0.0)
    stale_soon = settings.use_within_h - age < STALE_SOON_H
    if stale_soon or t_s - since_s < settings.remix_every_h * 3600.0:
        return []
    state.age.remix_advised_s = t_s
    text = (
        f"released {age:.0f} h ago: run the pump for some minutes; a solution does not separate,"
        " but standing water may be layered where it was never mixed"
    )
    return [Happening(AdviceGiven(text))]


def begin_blank(
    state: BatchState, identity: BatchIdentity, now: float | None, why: str
) -> list[Happening]:
    """Begin a batch in purified water, perhaps on a heel of what was there."""
    began = _adopt(state, identity, now)
    state.levels.before_salt = now
    return [*began, *move_to(state, Phase.BLANK, why)]


def begin_dissolving(
    state: BatchState, identity: BatchIdentity, initial: float, t_s: float, why: str
) -> list[Happening]:
    """Begin a batch in water in which something goes into solution already."""
    began = _adopt(state, identity, initial)
    state.levels.before_salt = initial
    if state.phase is Phase.DISSOLVING:
        # The event must say that something began.
        state.phase = Phase.IDLE
    return [*began, *dissolve(state, t_s, why)]


def dissolve(state: BatchState, t_s: float, why: str) -> list[Happening]:
    """Go to dissolving: what was judged holds no longer."""
    state.dissolving_since_s, state.dissolving_why, state.remaining = t_s, why, None
    state.judgement.probability, state.judgement.judged_s = None, None
    state.judgement.minutes, state.judgement.minute_s = [], None
    state.judgement.released_salinity = state.drifted_s = None
    state.advice, state.standing = Advice(), None
    # The confirmation was of the water before.
    state.confirmed_by, state.second = "", None
    return move_to(state, Phase.DISSOLVING, why)


def _adopt(state: BatchState, identity: BatchIdentity, now: float | None) -> list[Happening]:
    """Replace the batch; the phase stays until a step moves it."""
    state.replace_batch(identity)
    salinity = None if now is None else round(now, 3)
    return [Happening(BatchBegan(salinity))]
