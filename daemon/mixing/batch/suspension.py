"""A batch whose probe may not be in its water: kept and asked about, never ended on a guess.

While a batch is suspended its age runs, nothing releases it, and a person is asked what happened.
It goes on when the same water returns.  It ends when a person says so, or when nothing else
explains what was read: water that was thinned for minutes to less than half, or salt that goes
into solution in water that was there for minutes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import suspect_fall
from daemon.mixing.batch.batch_state import STEADY, WITH_SALT, Advice, BatchState, Suspension
from daemon.mixing.batch.lifecycle import (
    begin_blank,
    begin_dissolving,
    dissolve,
    is_left_over,
    on_added,
    with_ended,
)
from daemon.mixing.batch.release import move_to, set_advice
from daemon.mixing.batch.salt_detection import FRESH_BINS, SALT_ARRIVES, WATER_ARRIVES
from daemon.mixing.events import AdviceGiven, BatchEnded, BatchResumed, BatchSuspended, Happening
from daemon.mixing.probe import place as places
from daemon.mixing.probe.air_zero import looks_purified
from daemon.mixing.probe.departure import SAME_PPT
from daemon.mixing.probe.place_state import Left, Replaced, Returned

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.batch.batch_state import BatchIdentity, BatchSettings
    from daemon.mixing.probe.place_state import Finding, PlaceState
    from daemon.mixing.stability.level import Level

SUSPEND_S = 60.0
"""So long a probe must be elsewhere, s."""
FALLEN_SHARE = 0.5
SALTED_PPT = 2.0
HEEL_SHARE = 0.4
"""With a larger share of the salt of the water before, new water is judged as it is, so that
advice follows on what is missing; with less it waits for its salt."""
MOST_SHARE = 1.25
"""Saltier than this share of its target, water that is being mixed is brine on its way."""
JUMPED = "the reading has just jumped"
"""Why nothing is judged for a moment."""
THINNED_S = 900.0
"""So long water must stay below half, s, before it is doubted that only mixing made it so."""
FALL_RAISES_S = 300.0
"""A fall that may be a bubble raises its alarm after so long, s: most bubbles go sooner."""
QUESTION = "is the probe out of the water, or was the vessel refilled?"
PROBE_OUT, SAME_WATER, REFILLED = "probe-out", "same-water", "refilled"
ANSWERS = (PROBE_OUT, SAME_WATER, REFILLED)
REJUDGE_S = 60.0


def advance(
    state: BatchState,
    place: PlaceState,
    found: list[Finding],
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
) -> list[Happening]:
    """Suspend the batch, resume it, or end it, by where its probe is.

    Args:
        state: Changed in place.
        place: Of the probe that decides; what a batch remembers better is corrected in it.
        found: What its last reading proved.
        level: Salinity of the last minutes; cleared when other water has come.
        t_s: Monotonic time, s.
        reservoir: Name, for the id of a batch.
        wall: UTC, likewise.
        settings: What a batch has to be.
    """
    steps: list[Happening] = []
    for each in found:
        identity = state.next_identity(reservoir, wall)
        steps += _on_found(state, place, each, level, t_s, identity, settings)
    if state.phase is Phase.IDLE:
        steps += _idle(state, place, level, t_s)
    elif place.away is None:
        _remember_better(state, place, level, t_s, settings)
    if place.away is not None or place.unproven_s is not None:
        steps += _suspend(state, place, t_s)
    elif (
        state.suspension is not None
        and not suspect_fall.is_suspect(state)
        and level.now() is not None
    ):
        # It came back in a way that nobody watched, as from the bench.
        steps += _resume(state, t_s, "the probe is back")
    if found or steps or place.bins.start_s == t_s:
        state.place_hold = _hold(state, place)
    return steps


def _on_found(
    state: BatchState,
    place: PlaceState,
    found: Finding,
    level: Level,
    t_s: float,
    identity: BatchIdentity,
    settings: BatchSettings,
) -> list[Happening]:
    match found:
        case Returned(same=False) if state.phase is Phase.IDLE:
            return _on_mixing_seen(state, place, level, t_s, identity)
        case Returned(same=same):
            return _on_returned(state, level, t_s, same=same)
        case Replaced():
            return _on_replaced(state, found, level, t_s, identity, settings)
        case Left() if place.away is not None:
            level.forget_since(place.away.since_s)
            if state.phase is Phase.IDLE:
                state.advice = Advice()
    return []


def sentence(suspension: Suspension) -> str:
    """Return why a batch is suspended, and what is asked or was answered."""
    if suspension.answered_by:
        return (
            f"{suspension.answered_by} says that the probe is out of the water; the batch goes on"
            " when the same water is back"
        )
    return f"{suspension.why}: {question(suspension)}"


def question(suspension: Suspension) -> str:
    """Return what a person is asked about a suspended batch."""
    return suspect_fall.QUESTION if suspension.fell else QUESTION


def answer(
    state: BatchState, place: PlaceState, who: str, given: str, level: Level, t_s: float
) -> list[Happening]:
    """Take a person's answer that the probe is out, or in the water of the batch.

    Args:
        state: Of a batch; changed in place.
        place: Of the probe that decides; changed in place.
        who: The person.
        given: `PROBE_OUT` or `SAME_WATER`.
        level: Salinity of the last minutes.
        t_s: Monotonic time, s.
    """
    if given == PROBE_OUT:
        if state.suspension is not None:
            state.suspension.answered_by = who
        return []
    now = place.bins.salinities[-1] if place.bins.salinities else None
    before, fell = state.judgement.salinity, suspect_fall.is_suspect(state)
    places.accept(place)
    state.place_hold, state.levels.thinned_since_s = "", None
    if now is not None:
        state.levels.peak = now
    steps = _resume(state, t_s, f"{who} says that the probe is in the water of the batch")
    moved = now is not None and (before is None or abs(now - before) > SAME_PPT)
    if state.phase is Phase.BLANK and now is not None and now > places.TAP_PPT:
        level.clear()
        return steps + dissolve(state, t_s, f"{who} says that the salt is in")
    if state.phase in STEADY and (moved or fell) and now is not None and before is not None:
        on_added(state, "salt" if now > before else "water")
        level.clear()
        return steps + dissolve(state, t_s, "the probe is back, in water that has changed")
    return steps


def replace(
    state: BatchState,
    place: PlaceState,
    by: str,
    level: Level,
    t_s: float,
    reservoir: str,
    wall: datetime,
    settings: BatchSettings,
) -> list[Happening]:
    """End the batch and begin the next one, because a person says that the vessel was refilled."""
    now = place.bins.salinities[-1] if place.bins.salinities else None
    places.accept(place)
    identity = state.next_identity(reservoir, wall)
    ended = [] if state.phase is Phase.IDLE else _end(state, by)
    level.clear()
    if now is not None and now > max(settings.blank_max_ppt, HEEL_SHARE * settings.target_ppt):
        return ended + begin_dissolving(state, identity, now, t_s, f"{by} says that it is refilled")
    return ended + begin_blank(state, identity, now, f"{by} says that it is refilled")


def _on_mixing_seen(
    state: BatchState, place: PlaceState, level: Level, t_s: float, identity: BatchIdentity
) -> list[Happening]:
    """Begin a batch where the probe came into water that is being mixed, and none is known."""
    now = place.bins.salinity_now
    if is_left_over(state, now):
        return []
    level.clear()
    return begin_dissolving(state, identity, now, t_s, WATER_ARRIVES)


def _on_returned(state: BatchState, level: Level, t_s: float, *, same: bool) -> list[Happening]:
    if same:
        return _resume(state, t_s, "the same water is back at the probe")
    steps = _resume(state, t_s, "the probe is in water that is being mixed")
    if state.phase not in STEADY:
        return steps
    on_added(state, "water")
    level.clear()
    return steps + dissolve(state, t_s, "the probe is back, in water that moves")


def _resume(state: BatchState, t_s: float, why: str) -> list[Happening]:
    if state.suspension is None:
        return []
    state.suspension = None
    if state.judgement.judged_s is not None:
        # It is judged again by the first readings that count.
        state.judgement.judged_s = min(state.judgement.judged_s, t_s - REJUDGE_S)
    return [Happening(BatchResumed(why))]


def _on_replaced(
    state: BatchState,
    found: Replaced,
    level: Level,
    t_s: float,
    identity: BatchIdentity,
    settings: BatchSettings,
) -> list[Happening]:
    mixing = state.phase is Phase.DISSOLVING and state.judgement.salinity is None
    brine = found.before is None or found.before > MOST_SHARE * settings.target_ppt
    if state.phase is Phase.BLANK or (mixing and found.in_sight and brine):
        # Brine thins as it is mixed, and salt that lay on the bottom follows.
        return _resume(state, t_s, "the water at the probe is being mixed")
    ended = [] if state.phase is Phase.IDLE else _end(state, "seen refilled")
    level.clear()
    if found.salted:
        return ended + begin_dissolving(state, identity, found.initial, t_s, SALT_ARRIVES)
    whole = settings.target_ppt if found.before is None else found.before
    if found.initial > max(settings.blank_max_ppt, HEEL_SHARE * whole):
        return ended + begin_dissolving(state, identity, found.initial, t_s, WATER_ARRIVES)
    why = "purified water seen in place of the batch"
    return ended + begin_blank(state, identity, found.initial, why)


def _end(state: BatchState, by: str) -> list[Happening]:
    how = "used" if state.age.was_released else "discarded"
    ended = Happening(BatchEnded(how, by), state.id)
    state.ended = with_ended(state, how)
    return [ended]


def _idle(state: BatchState, place: PlaceState, level: Level, t_s: float) -> list[Happening]:
    """Without a batch nothing is lost by taking new water for what it looks like.

    Salt water that nobody saw mixed is no batch; but a person may know better.
    """
    away = place.away
    if away is None:
        return []
    rest = away.rest
    rose = rest is not None and rest > away.home.salinity
    if not rose and not looks_purified(place, t_s):
        return []
    places.accept(place)
    level.clear()
    if not rose:
        state.levels.ended = None
    if rest is None or rest < SALTED_PPT or is_left_over(state, rest):
        return []
    text = (
        f"the probe came into water of {rest:.1f} ppt that it did not see mixed, so no batch is"
        " known: if it was mixed now, say so with 'brinewright batch start'"
    )
    return set_advice(state, "unknown water", AdviceGiven(text))


def _remember_better(
    state: BatchState, place: PlaceState, level: Level, t_s: float, settings: BatchSettings
) -> None:
    """Let the batch say which water the probe left, where the probe's own past is not known."""
    if state.phase not in WITH_SALT:
        return
    now, bins = level.now(), place.bins.salinities
    if now is None or not bins:
        return
    here = bins[-1]
    state.levels.peak = max(now, state.levels.peak)
    fresh = level.last(FRESH_BINS) if now <= settings.blank_max_ppt else []
    gone = bool(fresh) and max(*fresh, here) <= settings.blank_max_ppt
    steady = state.judgement.salinity
    if steady is not None and state.phase in STEADY:
        if gone or max(now, here) < FALLEN_SHARE * steady:
            places.leave(place, steady, t_s, moving=False)
    elif not gone:
        _doubt_thinned(state, place, now, t_s, settings)
    elif state.levels.peak > SALTED_PPT:
        places.leave(place, state.levels.peak, t_s, moving=True)


def _doubt_thinned(
    state: BatchState, place: PlaceState, now: float, t_s: float, settings: BatchSettings
) -> None:
    """Ask about water that fell below half, though no brine, and stays there while it dissolves.

    It may be mixed unevenly, or it was refilled before it came to rest.
    """
    peak = state.levels.peak
    if not SALTED_PPT < peak <= MOST_SHARE * settings.target_ppt or now >= FALLEN_SHARE * peak:
        state.levels.thinned_since_s = None
        return
    if state.levels.thinned_since_s is None:
        state.levels.thinned_since_s = t_s
    if t_s - state.levels.thinned_since_s >= THINNED_S and place.unproven_s is None:
        place.unproven_s, place.asks = t_s, True


def _suspend(state: BatchState, place: PlaceState, t_s: float) -> list[Happening]:
    suspect = suspect_fall.is_suspect(state)
    if state.phase is Phase.IDLE or (state.suspension is not None and not suspect):
        return []
    why = _why(state, place, t_s)
    if not why:
        return []
    before = state.suspension
    was_ready = state.phase is Phase.READY or (before is not None and before.was_ready)
    state.suspension, state.standing = Suspension(t_s, why, was_ready), None
    steps = [Happening(BatchSuspended(why, QUESTION, ANSWERS))]
    if was_ready and not suspect:
        state.judgement.probability = None
        steps += move_to(state, Phase.VERIFYING, "release is withheld: the probe may be elsewhere")
    return steps


def may_pass(suspension: Suspension, t_s: float) -> bool:
    """Return whether a batch is suspended by a fall so new that it may well pass."""
    return suspension.fell and t_s - suspension.since_s < FALL_RAISES_S


def _why(state: BatchState, place: PlaceState, t_s: float) -> str:
    """Return why a batch is to be suspended; empty when it is not."""
    away = place.away
    if away is not None:
        if t_s - away.since_s < (places.SHALLOW_S if away.shallow else SUSPEND_S):
            return ""
        return (
            f"the probe reads {_now(place)} and read {away.home.salinity:.2f} ppt before, and no"
            " water changes like that"
        )
    if place.unproven_s is not None and state.phase in STEADY:
        return (
            "the probe was elsewhere, or salinity fell below half, while salt went into solution;"
            f" it reads {_now(place)} now"
        )
    return ""


def _now(place: PlaceState) -> str:
    return f"{place.bins.salinities[-1]:.2f} ppt" if place.bins.salinities else "nothing"


def _hold(state: BatchState, place: PlaceState) -> str:
    """Return why release has to wait for the place of the probe; empty when it has not."""
    if suspect_fall.is_suspect(state):
        return state.place_hold
    if state.suspension is not None or place.away is not None:
        return "the probe seems not to be in the water of the batch"
    if place.unproven_s is not None:
        return "it is not certain that the probe is back in the water of the batch"
    if places.is_unsettled(place):
        return JUMPED
    return ""
