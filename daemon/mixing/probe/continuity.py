"""What makes up for a change of the probes that count, so that it moves no water.

Whoever looks for change in the water gets values in which a probe that drops out, joins, or comes
back at once to what the others read leaves no step.  All thresholds are our own choice.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from daemon.mixing.probe.own_history import MOVED_SHARE, agree, limit, moved_at_once, stayed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from daemon.mixing.probe.place_bins import PlaceBins
    from daemon.mixing.probe.shares import Indication, Reconciliation, Share, Values

SAME_STEP = 1e-6
"""What is nearer is the same figure, mS/cm and °C."""
LEAST_STEP = 0.01
"""The values of several come in no finer steps, mS/cm and °C: found by the campaign of pairs, in
which three batches in a hundred were else never called steady."""
APART_TIME_S = 120.0
"""Time over which differences are remembered, s."""
EMPTY_PPT = 1.0
"""Below this salinity probes are not compared by their share of it."""
ALIKE_SHARE = 0.03
"""Differences beyond this share are of water that is not the same everywhere, and of no probe."""
BACK_SHARE = 0.2
"""A larger step of the whole is not made up for: then a person is asked."""


def evened(state: Reconciliation, values: Values) -> Values:
    """Return values for those who look for change in the water: no change of members is one.

    In salt water they come in the steps of the coarsest instrument that counts: who judges by the
    scatter of an instrument knows none that shows the fine steps of a mean.
    """
    conductivity, temperature, salinity = state.even
    even = (values[0] * conductivity, values[1] + temperature, values[2] * salinity)
    if values[2] < EMPTY_PPT:
        return even
    shares = [state.shares[name] for name in state.members if name in state.shares]
    step_mS_cm, step_C = (
        max([LEAST_STEP, *(step for each in shares if (step := each.steps[i]) is not None)])
        for i in range(2)
    )
    return _in_steps(even[0], step_mS_cm), _in_steps(even[1], step_C), even[2]


def _in_steps(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def note_steps(share: Share, conductivity_mS_cm: float, temperature_C: float) -> None:
    """Note the smallest steps in which a probe shows its values.

    Args:
        share: Of the probe; changed in place.
        conductivity_mS_cm: As indicated.
        temperature_C: As indicated.
    """
    now = (conductivity_mS_cm, temperature_C)
    before, share.indicated = share.indicated or now, now
    share.steps = (
        _finer(share.steps[0], abs(now[0] - before[0])),
        _finer(share.steps[1], abs(now[1] - before[1])),
    )


def _finer(known: float | None, moved: float) -> float | None:
    if moved < SAME_STEP:
        return known
    return round(moved if known is None else min(known, moved), 6)


def even_out(
    state: Reconciliation,
    members: Sequence[str],
    parts: Sequence[float],
    known: Mapping[str, Indication],
    whole: Values,
) -> None:
    """Let a change of the members move nothing for those who look for change in the water.

    Args:
        state: Of the probes; changed in place.
        members: Those that count now.
        parts: How much each counts; they add up to 1.
        known: What each said last.
        whole: What they say together.
    """
    before, state.members = state.members, [*members]
    if whole[2] < EMPTY_PPT:
        state.even = (1.0, 0.0, 1.0)
    if not before or before == state.members:
        return
    apart = [gone for name in members if (gone := state.shares[name].apart) is not None]
    strange = any(abs(known[name].salinity - whole[2]) > ALIKE_SHARE * whole[2] for name in members)
    if strange or len(apart) < len(members):
        _take_step_off(state, before, known, whole)
        return
    shift = [math.fsum(p * each[i] for p, each in zip(parts, apart, strict=True)) for i in range(3)]
    _take_off(state, (shift[0], shift[1], shift[2]))
    for share in state.shares.values():
        if share.apart is not None:
            less = [old - new for old, new in zip(share.apart, shift, strict=True)]
            share.apart = (less[0], less[1], less[2])


def _take_step_off(
    state: Reconciliation, before: Sequence[str], known: Mapping[str, Indication], whole: Values
) -> None:
    """Make up for the step from those who counted to those who do, where both say something."""
    old = [known[name].values for name in before if name in known]
    if len(old) < len(before) or min(whole[2], *(each[2] for each in old)) < EMPTY_PPT:
        return
    mean = [math.fsum(each[i] for each in old) / len(old) for i in range(3)]
    shift = (whole[0] / mean[0] - 1.0, whole[1] - mean[1], whole[2] / mean[2] - 1.0)
    if abs(shift[2]) <= BACK_SHARE:
        _take_off(state, shift)


def take_back_steps(
    state: Reconciliation,
    names: Sequence[str],
    known: Mapping[str, Indication],
    bins: Mapping[str, PlaceBins],
    whole: Values,
) -> None:
    """Make up for a probe that comes back at once to what the others read: they did not move.

    Args:
        state: Of the probes, as they were a reading ago; changed in place.
        names: Of those that measure the water now.
        known: What each said last.
        bins: The last minutes of each.
        whole: What all say together now.
    """
    before = state.values
    if before is None or min(before[2], whole[2]) < EMPTY_PPT:
        return
    if not any(_came_back(state, name, names, known, bins) for name in names):
        return
    shift = (whole[0] / before[0] - 1.0, whole[1] - before[1], whole[2] / before[2] - 1.0)
    if abs(shift[2]) <= BACK_SHARE:
        _take_off(state, shift)


def _came_back(
    state: Reconciliation,
    name: str,
    names: Sequence[str],
    known: Mapping[str, Indication],
    bins: Mapping[str, PlaceBins],
) -> bool:
    others = [each for each in names if each != name]
    moved = moved_at_once(known[name], bins.get(name))
    if not others or moved is None or not state.shares[name].dissent or name not in state.members:
        return False
    least = MOVED_SHARE * max(limit(known[name], known[each]) for each in others)
    back = all(agree(known[name], known[each]) for each in others)
    still = all(
        stayed(moved_at_once(known[each], bins.get(each)), moved, bins.get(each)) for each in others
    )
    return back and still and abs(moved) > least


def _take_off(state: Reconciliation, shift: Values) -> None:
    conductivity, temperature, salinity = state.even
    state.even = (
        conductivity / (1.0 + shift[0]),
        temperature - shift[1],
        salinity / (1.0 + shift[2]),
    )


def remember_apart(share: Share, one: Indication, whole: Values, dt_s: float) -> None:
    """Remember how far a probe is from the whole, where both are of the same water.

    Args:
        share: Of the probe; changed in place.
        one: What it says.
        whole: What all say.
        dt_s: Since it was last remembered, s.
    """
    if abs(one.salinity / whole[2] - 1.0) > ALIKE_SHARE:
        return
    conductivity, temperature_C, salinity = whole
    gone = (
        one.conductivity_mS_cm / conductivity - 1.0,
        one.temperature_C - temperature_C,
        one.salinity / salinity - 1.0,
    )
    before = gone if share.apart is None else share.apart
    part = share_of(dt_s, APART_TIME_S)
    mixed = [old + part * (new - old) for old, new in zip(before, gone, strict=True)]
    share.apart = (mixed[0], mixed[1], mixed[2])


def share_of(dt_s: float, time_s: float) -> float:
    """Return how much of what was remembered a time replaces, 0 to 1."""
    return -math.expm1(-max(dt_s, 0.0) / time_s)
