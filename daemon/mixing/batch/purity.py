"""Report purified water that is not pure, before salt is wasted on it.

An instrument that shows steps of 10 µS/cm says 40 of water that may be at 30.  So water is called
impure only where it is beyond the limit by more than the step of the instrument, and only once it
has rested there; it is called pure again at the limit, or a little below it.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.mixing.batch.batch_state import Advice
from daemon.mixing.batch.release import set_advice
from daemon.mixing.batch.salt_detection import FRESH_BINS
from daemon.mixing.events import AdviceGiven, Happening
from daemon.mixing.seawater.properties import conductivity_mS_cm

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState
    from daemon.mixing.stability.level import Level

FLAT_SHARE, FLAT_PPT = 0.05, 0.0005
"""Water that changes by more within a minute is still being poured, or salt creeps up in it."""
RESTS_S, COARSE_RESTS_S = 120.0, 300.0
"""How long water must rest beyond the limit before it is called impure, s; our own choice.

The longer one is for an instrument whose step is more than the share below: it sees late that
water falls.
"""
FALLS_SHARE = 0.05
"""Water that falls by more than this share, or by a step, meanwhile does not rest."""
CERTAIN_SHARE = 0.02
"""By so much more it must be beyond the limit, for what arithmetic rounds; our own choice."""
PURE_SHARE = 0.05
"""How far below the limit it is called pure again, as a share of it, less the step; our choice."""
COARSE_MS_CM = 0.01
"""The coarsest step that is usual, mS/cm; our own choice.

It is taken for that of an instrument that has shown none, or only larger ones, as while water ran.
"""


def report_purity(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Report once that the water before any salt is impure, and once that it is pure again.

    Args:
        state: Of the batch; changed in place.
        level: Of the last minutes.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    recent = level.last(FRESH_BINS)
    if not recent or max(recent) > settings.blank_max_ppt or _salt_creeps(state, settings):
        return []
    indicated, step = _uS_cm(median(recent)), _step_uS_cm(state, median(recent))
    limit = settings.purified_max_uS_cm
    # Water that runs in, or salt from the bottom, has not reached its level yet.
    flat = FLAT_SHARE * _uS_cm(max(recent)) + _uS_cm(FLAT_PPT) + step
    if _uS_cm(max(recent)) - _uS_cm(min(recent)) > flat:
        state.impure_since_s = None
        return []
    if state.impure:
        return _pure_again(state, indicated, limit - max(0.0, PURE_SHARE * limit - step))
    if indicated - step <= limit * (1.0 + CERTAIN_SHARE):
        state.impure_since_s = None
        return []
    if not _has_rested(state, indicated, step, t_s):
        return []
    state.impure = True
    text = (
        f"the water reads {indicated:.0f} µS/cm at 25 °C before any salt, more than {limit:g}: the"
        " purifier is spent, old water was left, or the probe's zero is off; add no salt until it"
        " is known which"
    )
    return set_advice(state, "impure", AdviceGiven(text, uS_cm=round(indicated, 1)))


def _pure_again(state: BatchState, indicated: float, pure_at: float) -> list[Happening]:
    if indicated > pure_at:
        return []
    state.impure, state.impure_since_s, state.advice = False, None, Advice()
    return [Happening(AdviceGiven("the purified water is pure now", uS_cm=round(indicated, 1)))]


def _has_rested(state: BatchState, indicated: float, step: float, t_s: float) -> bool:
    """Return whether the water has read impure for long enough, and has not been falling."""
    fallen = state.impure_from_uS_cm - indicated > max(step / 2.0, FALLS_SHARE * indicated)
    if state.impure_since_s is None or fallen:
        state.impure_since_s, state.impure_from_uS_cm = t_s, indicated
    coarse = step > FALLS_SHARE * indicated
    return t_s - state.impure_since_s >= (COARSE_RESTS_S if coarse else RESTS_S)


def _step_uS_cm(state: BatchState, salinity: float) -> float:
    """Return the step of the instrument, µS/cm as at 25 °C."""
    known = state.step_mS_cm
    step_mS_cm = COARSE_MS_CM if known is None else min(known, COARSE_MS_CM)
    salinity, now_C = max(salinity, 0.0), state.temperature_C
    now = 0.0 if now_C is None else conductivity_mS_cm(salinity, now_C)
    warmed = conductivity_mS_cm(salinity, 25.0) / now if now > 0.0 else 1.0
    return step_mS_cm * warmed * 1000.0


def _salt_creeps(state: BatchState, settings: BatchSettings) -> bool:
    """Return whether water that was pure may conduct because of recorded salt."""
    pure = (
        state.levels.before_salt is not None
        and _uS_cm(state.levels.before_salt) <= settings.purified_max_uS_cm
    )
    return pure and state.salt is not None and not state.impure


def _uS_cm(salinity: float) -> float:
    return conductivity_mS_cm(max(salinity, 0.0), 25.0) * 1000.0
