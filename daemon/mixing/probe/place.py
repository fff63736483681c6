"""Where the probe is: in the water that it was in, or elsewhere.

Hands lift a probe into air, stand it in a beaker of tap water or in a reference solution, leave
it in a vessel that was drained.  None of that is the water of the batch, and none of it may be
taken for a refill.  What tells them apart is how the change came and what follows:

- A probe that is moved changes within its own lag, and rests in what it was put into.  Water that
  is mixed, thinned or salted takes minutes and passes through all that lies between.
- The water of a vessel does not change its temperature at once.
- A probe that is put back finds the same salinity again.
- Salt that goes into solution rises for minutes, from water that was there for minutes.

All thresholds, here and in `departure`, are our own choice.
"""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.probe.air_zero import note_air
from daemon.mixing.probe.departure import DEEP_SHARE, NOISES, SAME_PPT, STEP_MS_CM, STEP_SHARE
from daemon.mixing.probe.departure import departure as departure_of
from daemon.mixing.probe.place_state import Away, Course, Left, Replaced, Returned, Water

if TYPE_CHECKING:
    from daemon.mixing.probe.place_state import Finding, PlaceState

AT_ONCE_S, MINUTES_S = 65.0, 90.0
"""A change is sudden when eight tenths of it take no longer, s: a slow cell, and a bin.  It is of
water, and of nothing else, when they take longer than the other."""
STILL_PPT, STILL_SHARE, EVEN_SHARE = 0.1, 0.05, 0.7
"""Water on its way moves by more than this from bin to bin, practical salinity, and by nearly as
much in each: a cell that is ten seconds behind a jump moves by a third of it in the next bin."""
SAME_PPT_PER_H, SAME_MOST_PPT = 0.02, 0.6
"""How much more water may differ for each hour away, and at the most, to be the same."""
SAME_C, SAME_C_PER_H = 1.0, 1.5
"""A vessel hardly changes its temperature by more, °C, and by more for each hour."""
LONG_H = 0.5
"""So long after it was left, h, water in which salt went into solution is at rest."""
ARRIVAL_PPT, ARRIVAL_SHARE = 0.5, 0.2
"""Salt has come when salinity rose by this, and by this share of what it rose from."""
LOW_S, LOW_MOVING_S = 180.0, 900.0
"""No vessel is drained and filled in less, s; and none in which salt still goes into solution
is given up so soon."""
REST_S, HOME_S, RETURN_S = 120.0, 180.0, 30.0
MOVES_PPT = 0.15
"""Water that is mixed moves by more within `REST_S`, practical salinity."""
CALM_C, PPT_PER_C = 0.2, 1.0
"""A thermometer that has come to rest moves by less, °C; and what one that has not makes of the
salinity of the same water, practical salinity for each °C, with room to spare."""
JUMP_SHARE, SMOOTH_SHARE = 0.6, 0.35
"""Water that moves does not make so much of its way from one bin to the next; the second is for a
way of two minutes."""
NEAR_SHARE, BACK_SHARE = 0.1, 0.2
TAP_PPT = 0.7
"""Tap water, and a solution of 1.4 mS/cm, is no saltier."""
DILUTED_SHARE = 0.3
"""Water that was thinned has lost at least this share while it was watched."""
SHALLOW_S = 200.0
"""Bubbles do not stick for so long, s."""
UNSETTLED_S = (40.0, 130.0)


def advance(
    state: PlaceState, t_s: float, conductivity_mS_cm: float, temperature_C: float, salinity: float
) -> list[Finding]:
    """Take one credible reading; return what it proves.

    Args:
        state: Changed in place.
        t_s: Monotonic time, s, never decreasing.
        conductivity_mS_cm: As indicated.
        temperature_C: As indicated.
        salinity: Practical salinity.
    """
    if not state.bins.add(t_s, (conductivity_mS_cm, temperature_C, salinity)):
        return []
    return _inside(state) if state.away is None else _elsewhere(state, state.away)


def location(state: PlaceState, t_s: float) -> Flag:
    """Return what the place of the probe makes of its readings.

    Before the probe was ever at rest in water nobody can tell where it is.  A bubble that sticks
    reads as a shallow step, so it has to last before it is no bubble.
    """
    if state.away is None:
        return Flag.NOT_EVALUATED if state.home is None else Flag.PASS
    young = t_s - state.away.since_s < SHALLOW_S
    return Flag.SUSPECT if state.away.shallow and young else Flag.FAIL


def leave(state: PlaceState, salinity: float, t_s: float, *, moving: bool) -> None:
    """Note that the probe is not in water of this salinity, which its batch remembers."""
    home, bins = state.home, state.bins
    if home is None or abs(home.salinity - salinity) > SAME_PPT:
        warmth_C = bins.temperatures[0] if bins.temperatures else None
        home = Water(None, warmth_C, salinity, t_s, moving)
    state.away = Away(t_s, home)


def accept(state: PlaceState) -> None:
    """Take the water in which the probe is for that of the vessel, whatever was before."""
    state.away, state.unproven_s, state.home, state.lowest = None, None, None, None
    state.asks = False
    state.bins.keep_newest(1)


def course_from(state: PlaceState, start: float) -> Course:
    """Return how salinity has come from `start` to what it is now.

    Args:
        state: Of the probe.
        start: Practical salinity from which it came.
    """
    bins = state.bins
    if not any(abs(value - start) <= SAME_PPT for value in bins.salinities):
        return Course.UNSEEN
    if bins.took_s(start, median(bins.salinities[-2:])) > AT_ONCE_S:
        return Course.GRADUAL
    newest = bins.salinities[-4:]
    if len(newest) < 4:  # noqa: PLR2004 - three steps
        return Course.SUDDEN
    first, second, third = (abs(later - one) for one, later in pairwise(newest))
    even = second >= EVEN_SHARE * first and third >= EVEN_SHARE * second
    # What a slow thermometer makes of salinity after a jump is a small part of it.
    least = max(STILL_PPT, STILL_SHARE * abs(newest[-1] - start))
    return Course.GRADUAL if even and min(first, second, third) > least else Course.SUDDEN


def is_unsettled(state: PlaceState) -> bool:
    """Return whether a step may just have been made, so that nothing may be judged yet."""
    bins = state.bins
    newest = bins.conductivities[-1:]
    before = bins.between(bins.conductivities, *UNSETTLED_S)
    if not newest or not before:
        return False
    level = median(before)
    away = abs(newest[0] - level)
    # Noise is asked for last: it costs most, and nearly no reading comes so far.
    return away > max(2.0 * STEP_SHARE * level, STEP_MS_CM) and away > NOISES * bins.noise()


# --- in the water ------------------------------------------------------------------------------


def _inside(state: PlaceState) -> list[Finding]:
    """Follow a probe in the water: does it leave, or does the water change?"""
    left = departure_of(state)
    if left is not None:
        left.unproven = state.unproven_s is not None
        state.away, state.unproven_s, state.lowest = left, None, None
        return [Left()]
    doubted = state.unproven_s is not None and not state.asks
    if doubted and _moves(state) and _is_smooth(state):
        state.unproven_s = None
    replaced = _thinned_in_sight(state)
    # The first reading of air is not of the water that rested until then.
    if not replaced and state.bins.at_rest(0.0, HOME_S) and not is_unsettled(state):
        state.home, state.lowest = _here(state), None
    return replaced


def _thinned_in_sight(state: PlaceState) -> list[Finding]:
    """Return that the water fell below half while the probe was in it, which no hand explains."""
    now, home = state.bins.salinity_now, state.home
    if home is None or home.salinity <= 2.0 * TAP_PPT:
        return []
    if now < DEEP_SHARE * home.salinity:
        if state.lowest is None:
            state.below_s = state.bins.now_s
        if state.lowest is None and state.bins.jumped(home.salinity, now, AT_ONCE_S):
            state.away = Away(state.bins.now_s, home)
            return [Left()]
        state.lowest = now if state.lowest is None else min(now, state.lowest)
        if now > TAP_PPT and state.bins.at_rest(0.0, REST_S):
            return _replaced(state, now, salted=False, in_sight=True)
    lowest = state.lowest
    if lowest is None or state.bins.now_s - state.below_s < LOW_S:
        return []
    rose = now >= lowest + max(ARRIVAL_PPT, ARRIVAL_SHARE * lowest)
    if not rose or not _came_as_water(state, lowest, now):
        return []
    return _replaced(state, lowest, salted=True, in_sight=True)


def _here(state: PlaceState) -> Water:
    bins = state.bins
    return Water(
        median(bins.between(bins.conductivities, 0.0, 60.0)),
        median(bins.between(bins.temperatures, 0.0, 60.0)),
        median(bins.between(bins.salinities, 0.0, 60.0)),
        bins.now_s,
    )


def _thinned(state: PlaceState, home: Water) -> float | None:
    """Return the salinity at rest of what is below half of what was, and is no tap water."""
    if home.salinity <= 2.0 * TAP_PPT:
        return None
    now = state.bins.salinity_now
    below = TAP_PPT < now < DEEP_SHARE * home.salinity
    return now if below and state.bins.at_rest(0.0, REST_S) else None


def _moves(state: PlaceState) -> bool:
    """Return whether salinity moves as only the water of a vessel does, the thermometer at rest."""
    bins = state.bins
    values = bins.between(bins.salinities, 0.0, REST_S)
    warmth_C = bins.warmth_range_C(REST_S)
    if len(values) < 4 or warmth_C > CALM_C:  # noqa: PLR2004
        return False
    part = max(len(values) // 3, 1)
    moved = abs(median(values[-part:]) - median(values[:part]))
    return moved > MOVES_PPT + PPT_PER_C * warmth_C + 4.0 * bins.salinity_noise()


# --- elsewhere ---------------------------------------------------------------------------------


def _elsewhere(state: PlaceState, away: Away) -> list[Finding]:
    """Follow a probe that is elsewhere: is it back, or is there other water in the vessel?"""
    few = 2 if state.bins.sparse else 3
    newest = state.bins.after(away.since_s)[-few:]
    if len(newest) < few:
        return []
    back = _returned(state, away, newest)
    if back:
        # What was read elsewhere says nothing of this water.
        state.bins.keep_newest(few)
        return back
    if (initial := _salted(state, away)) is not None:
        return _replaced(state, initial, salted=True)
    now = _thinned(state, away.home)
    if now is not None and _fell_gradually(state, now):
        return _replaced(state, now, salted=False)
    _note_rest(state, away)
    return []


def _returned(state: PlaceState, away: Away, newest: list[float]) -> list[Finding]:
    home, bins = away.home, state.bins
    away_h = (bins.now_s - away.since_s) / 3600.0
    same = min(SAME_PPT + SAME_PPT_PER_H * away_h, SAME_MOST_PPT) + bins.salinity_noise()
    if away.apart_ppt is not None:
        same = min(same, away.apart_ppt / 2.0)
    known_C = home.temperature_C
    most_C = SAME_C + SAME_C_PER_H * away_h
    warmed = known_C is not None and abs(bins.temperatures[-1] - known_C) > most_C
    if bins.warmth_range_C(RETURN_S) > CALM_C or warmed:
        # Another solution passes through the same salinity while the thermometer follows.
        return []
    if not home.moving and max(abs(value - home.salinity) for value in newest) <= same:
        state.away = None
        state.unproven_s = bins.now_s if away.unproven else None
        home.at_s = bins.now_s
        return [Returned(same=True)]
    if _rises_from_rest(state, away):
        return []
    wet = min(newest) > max(DEEP_SHARE * home.salinity, TAP_PPT)
    risen = home.moving and min(newest) >= home.salinity - SAME_PPT
    if wet and _moves(state) and _is_smooth(state):
        # What it had left is still to be compared with: it may be diluted now.
        state.away, state.home = None, home
        if home.moving and away_h > LONG_H:
            # By now that water is at rest: what moves may be another one.
            state.unproven_s, state.asks = bins.now_s, True
        return [Returned(same=False)]
    if risen:
        state.away, state.home, state.unproven_s = None, None, bins.now_s
        state.asks = away_h > LONG_H
        return [Returned(same=False)]
    return []


def _is_smooth(state: PlaceState) -> bool:
    """Return whether the newest minutes hold no jump: what moves is the water."""
    values = state.bins.between(state.bins.salinities, 0.0, REST_S)
    span = max(values) - min(values)
    return max(abs(later - one) for one, later in pairwise(values)) <= SMOOTH_SHARE * span


def _rises_from_rest(state: PlaceState, away: Away) -> bool:
    """Return whether it has come without a jump from where it rested, as salt makes it."""
    rest, bins = away.rest, state.bins
    if rest is None or not any(abs(each - rest) <= SAME_PPT for each in bins.salinities):
        return False
    return _biggest_step(state) <= JUMP_SHARE * abs(bins.salinity_now - rest)


def _biggest_step(state: PlaceState) -> float:
    steps = (abs(later - one) for one, later in pairwise(state.bins.salinities))
    return max(steps, default=0.0)


def _salted(state: PlaceState, away: Away) -> float | None:
    """Return the salinity that water had for minutes, from which salt makes it rise now."""
    rest, bins = away.rest, state.bins
    if rest is None or rest >= DEEP_SHARE * away.home.salinity:
        return None
    if bins.now_s - away.since_s < (LOW_MOVING_S if away.home.moving else LOW_S):
        return None
    now = bins.salinity_now
    if now < rest + max(ARRIVAL_PPT, ARRIVAL_SHARE * rest):
        return None
    return rest if _came_as_water(state, rest, now) else None


def _fell_gradually(state: PlaceState, now: float) -> bool:
    highest = max(state.bins.salinities)
    lost = now < (1.0 - DILUTED_SHARE) * highest
    return lost and _came_as_water(state, highest, now)


def _came_as_water(state: PlaceState, start: float, now: float) -> bool:
    """Return whether salinity went its way for minutes, with no jump in it."""
    near = max(SAME_PPT, NEAR_SHARE * abs(start))
    if not any(abs(each - start) <= near for each in state.bins.salinities):
        # Nobody saw how it began.
        return False
    if _biggest_step(state) > JUMP_SHARE * abs(now - start) or _turns_back(state, start, now):
        return False
    return state.bins.took_s(start, now) > MINUTES_S


def _turns_back(state: PlaceState, start: float, now: float) -> bool:
    """Return whether it went to and fro on its way, as a probe that is dipped again and again."""
    near = max(SAME_PPT, NEAR_SHARE * abs(start))
    way, farthest = 0.0, 0.0
    for value in state.bins.salinities:
        gone = (value - start) / (now - start) if now != start else 0.0
        if abs(value - start) <= near:
            way = farthest = 0.0
        farthest = max(farthest, gone)
        way = max(way, farthest - gone)
    return way > BACK_SHARE


def _replaced(
    state: PlaceState, initial: float, *, salted: bool, in_sight: bool = False
) -> list[Finding]:
    before = state.away.home if state.away is not None else state.home
    state.away, state.home, state.unproven_s, state.lowest = None, None, None, None
    state.asks = False
    return [Replaced(salted, initial, None if before is None else before.salinity, in_sight)]


def _note_rest(state: PlaceState, away: Away) -> None:
    """Note where it has come to rest, and the least that it has read there."""
    bins = state.bins
    # Four bins, however far apart they are.
    if not bins.at_rest(0.0, max(60.0, 3.2 * bins.spacing_s)):
        return
    note_air(state)
    now = bins.salinity_now
    moved = away.rest is None or abs(now - away.rest) > SAME_PPT
    rest = away.rest
    if rest is not None and now > rest and not (moved and bins.took_s(rest, now) <= AT_ONCE_S):
        # It may be salt that makes it rise.
        return
    away.rest = now
    if moved:
        away.rest_since_s = bins.now_s
