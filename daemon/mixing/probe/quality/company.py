"""Tests of a reading against what goes with it: its other quantity, and the other probes."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

from daemon.mixing.probe.quality.flags import PASSED, SUSPECT, UNTESTED
from daemon.mixing.probe.quality.limits import LASTING_S, WET_MS_CM
from daemon.mixing.probe.quality.quality_state import Pair

if TYPE_CHECKING:
    from daemon.mixing.probe.quality.flags import Outcome
    from daemon.mixing.probe.quality.limits import QualityLimits
    from daemon.mixing.probe.quality.quality_state import QualityState
    from daemon.mixing.probe.quality.water_context import Neighbour, WaterContext

SHARE_PER_C = 0.02
"""How much more seawater conducts for each °C, 0.018 to 0.023 from 30 to 15 °C.

Source: computed by PSS-78 at practical salinity 35.
"""
GOES_WITH = 0.25
"""Conductivity that makes less than this share of its way with the temperature stands still."""
SOON_S, SOON_C = 300.0, 1.0
"""Over five to ten minutes, which no thermometer lags by, and by how much it then moves, °C."""
SINCE_STEADY_C = 2.0
"""The same since the water came to rest, however long ago, °C."""
FRESH_S = 120.0
"""Readings that are older say nothing of the water now, s."""
SURE = 2.0


def multi_variate(
    state: QualityState,
    conductivity_mS_cm: float,
    temperature_C: float,
    t_s: float,
    context: WaterContext,
    *,
    silent: bool,
) -> Outcome:
    """Flag a temperature that moves while conductivity does not (test 9).

    Water that nobody adds to conducts 2 % better for each °C.  Where the temperature moved and
    the conductivity stands still, salinity moves though nothing was added: the thermometer has
    failed, is not in the same water, or the instrument compensates what is taken for raw.
    Salinity has no value of its own here that could move against both.
    """
    if not context.steady or conductivity_mS_cm < WET_MS_CM:
        state.earlier = state.recent = state.settled = None
        return UNTESTED
    settled, recent = state.settled, state.recent
    if settled is None or recent is None or silent or t_s - recent.t_s >= SOON_S:
        now = Pair(t_s, conductivity_mS_cm, temperature_C)
        state.earlier = None if settled is None or silent else recent
        state.recent, state.settled = now, settled or now
    for then, least_C in ((state.earlier, SOON_C), (state.settled, SINCE_STEADY_C)):
        if then is None or abs(temperature_C - then.temperature_C) < least_C:
            continue
        warmer_C = temperature_C - then.temperature_C
        share = conductivity_mS_cm / then.conductivity_mS_cm - 1.0
        if abs(share) < GOES_WITH * SHARE_PER_C * abs(warmer_C):
            return SUSPECT, (
                f"temperature moved by {warmer_C:+.1f} °C and conductivity by {share:+.1%} within"
                f" {(t_s - then.t_s) / 60.0:.0f} min, where water moves by"
                f" {SHARE_PER_C * warmer_C:+.1%}"
            )
    return PASSED


def neighbour(
    state: QualityState,
    salinity: float | None,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
    context: WaterContext,
    *,
    silent: bool,
) -> Outcome:
    """Flag a reading that its neighbours contradict for a minute (test 11).

    What is poured reaches one probe before the other, and the phase follows within seconds.

    Args:
        state: Changed in place.
        salinity: Of the reading; None where there is none.
        temperature_C: Of the reading.
        t_s: Monotonic time, s.
        limits: How far apart they always may be.
        context: The neighbours, and the uncertainty of the reading.
        silent: Whether it came after a gap.
    """
    if not context.neighbours:
        state.contradicted_since_s = None
        return UNTESTED
    flag, figure = contradicted(salinity, temperature_C, limits, context)
    if flag is not SUSPECT:
        state.contradicted_since_s = None
        return flag, ""
    if state.contradicted_since_s is None or silent:
        state.contradicted_since_s = t_s
    return (flag, figure) if t_s - state.contradicted_since_s >= LASTING_S else PASSED


def contradicted(
    salinity: float | None, temperature_C: float, limits: QualityLimits, context: WaterContext
) -> Outcome:
    """Say whether most neighbours contradict a reading.

    Two readings contradict each other where they are farther apart than both can be off (k = 2),
    and than probes of one water always may be.  With one neighbour nobody knows which is wrong,
    and both are suspect; among more, the odd one is.

    Args:
        salinity: Of the reading; None where there is none.
        temperature_C: Of the reading.
        limits: How far apart they always may be.
        context: The neighbours, and the uncertainty of the reading.
    """
    asked, against, figure = 0, 0, ""
    for each in context.neighbours:
        found = None
        if each.age_s <= FRESH_S:
            found = _apart(salinity, temperature_C, each, limits, context)
        if found is not None:
            asked, against = asked + 1, against + bool(found)
            figure = figure or found
    if not asked:
        return UNTESTED
    return (SUSPECT, figure) if 2 * against > asked else PASSED


def _apart(
    salinity: float | None,
    temperature_C: float,
    other: Neighbour,
    limits: QualityLimits,
    context: WaterContext,
) -> str | None:
    """Return how far a neighbour is off, empty where it is near; None where nobody can tell."""
    found: str | None = None
    if salinity is not None and other.salinity is not None:
        u = _joint(context.salinity_u, other.salinity_u)
        if u is not None:
            found, most = "", max(limits.neighbour_apart_ppt, SURE * u)
            if abs(salinity - other.salinity) > most:
                apart = abs(salinity - other.salinity)
                return (
                    f"{other.name} reads {other.salinity:.2f} ppt, {apart:.2f} apart, more than"
                    f" {most:.2f}"
                )
    if other.temperature_C is not None:
        u = _joint(context.temperature_u_C, other.temperature_u_C)
        if u is not None:
            found, most = "", max(limits.neighbour_apart_C, SURE * u)
            apart = abs(temperature_C - other.temperature_C)
            if apart > most:
                return (
                    f"{other.name} reads {other.temperature_C:.2f} °C, {apart:.2f} apart, more"
                    f" than {most:.2f}"
                )
    return found


def _joint(u: float | None, other_u: float | None) -> float | None:
    return None if u is None or other_u is None else hypot(u, other_u)
