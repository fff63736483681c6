"""One salinity from several probes in the same water, and what each of them is worth.

The mean is weighted by uncertainty.  Nobody knows how much two probes share (a bottle, a
thermometer, a person), so their mean is worth no more than the weighted mean of what each is
worth: that holds whatever they share.  Nor is it worth more than how far they are apart.

A probe leaves its own history when it moves at once and the others, which show life, do not: it is
left out until it reads as the others again.  It may have met salt that the others have not met yet:
so while something is mixed only one that falls is left out, as a bubble that sticks makes it, and
one that rises counts again after some minutes.  Where both move, or neither does, nobody can say
which is wrong, and the uncertainty says so, also once only one of them is left.

All thresholds are our own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Flag

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from daemon.mixing.probe.place_bins import PlaceBins
    from daemon.mixing.probe.shares import Indication, Reconciliation, Share

APART_PPT, SURE = 0.3, 2.0
"""Probes that agree may always differ by the first, practical salinity; and by the second times
their joint standard uncertainty."""
MOVED_SHARE, STAYED_SHARE = 0.5, 0.25
"""Who leaves its history moves by this share of the limit at least, and the others by no more than
that share of its way."""
BEFORE_S = (20.0, 180.0)
"""The time before a move with which a probe is compared, s; within the first a move is at once."""
REST_BINS = 3
ROSE_S = 180.0
"""One that rose is left out no longer, s: what it met reaches the others, or is in the water."""
AGREES_S = 60.0
"""So long a probe that was left out must read as the others, s."""
APART_TIME_S = 120.0
USUAL_TIME_S = 3.0 * 3600.0
"""Times over which differences, and the level at rest, are remembered, s."""
DRIFTED_PPT, DRIFTED_TIMES = 0.1, 4.0
"""At rest a probe has left its history that moved by the first, and so many times more than the
others."""
EMPTY_PPT = 1.0
"""Below this salinity probes are not compared by their share of it."""
LEAST_U = 1e-4
"""No indication is worth more, practical salinity; keeps a weight finite."""


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What several probes say together.

    Attributes:
        values: Conductivity in mS/cm, temperature in °C, practical salinity.
        u: Standard uncertainty of salinity.
        flag: The worst of those that are in it.
        members: The probes that are.
    """

    values: tuple[float, float, float]
    u: float
    flag: Flag
    members: tuple[str, ...]


def limit(one: Indication, other: Indication) -> float:
    """Return how far two indications may differ and agree, practical salinity."""
    return max(APART_PPT, SURE * math.hypot(one.u, other.u))


def fresh(shares: Mapping[str, Share], names: Sequence[str], t_s: float, old_s: float) -> list[str]:
    """Return the probes that measure the water now, in the order of the names.

    Args:
        shares: By probe.
        names: Of the probes that are not being calibrated.
        t_s: Monotonic time, s.
        old_s: From what age on an indication says nothing any more, s.
    """
    return [
        name
        for name in names
        if (share := shares.get(name)) is not None
        and share.newest is not None
        and share.elsewhere is None
        and t_s - share.newest.t_s <= old_s
    ]


def reconcile(
    state: Reconciliation,
    names: Sequence[str],
    bins: Mapping[str, PlaceBins],
    t_s: float,
    *,
    at_rest: bool,
) -> Reconciled | None:
    """Return what the probes say together; None where none measures the water.

    Args:
        state: Of the probes; changed in place.
        names: Of those that measure the water now, as `fresh` gives them.
        bins: The last minutes of each.
        t_s: Monotonic time, s.
        at_rest: Whether nothing is being mixed.
    """
    known = {name: share.newest for name, share in state.shares.items() if share.newest is not None}
    _leave_out(state, names, known, bins, t_s, at_rest=at_rest)
    members = _members(state, names, t_s)
    if not members:
        return None
    us = [_aged_u(known[name], bins.get(name), t_s) for name in members]
    parts = _weights(us)
    whole = _mean(members, known, parts, us)
    _note_dissent(state, names, members, known)
    if len(members) == 1:
        # Nobody knows which of those who disagreed was right.
        whole = replace(whole, u=max(whole.u, state.shares[members[0]].dissent))
    _even_out(state, members, parts, whole)
    _remember(state, names, known, whole, t_s, at_rest=at_rest)
    state.reconciled_s = t_s
    return whole


def _members(state: Reconciliation, names: Sequence[str], t_s: float) -> list[str]:
    """Return those whose readings count: who comes is first compared with those who are there."""
    inside = [name for name in names if state.shares[name].left_s is None] or [*names]
    known = [
        name
        for name in inside
        if name in state.members
        or ((since_s := state.shares[name].compared_s) is not None and t_s - since_s >= AGREES_S)
    ]
    return known or inside


def evened(state: Reconciliation, values: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return values for those who look for change in the water: no change of members is one."""
    conductivity, temperature, salinity = state.even
    return values[0] * conductivity, values[1] + temperature, values[2] * salinity


def _mean(
    members: Sequence[str],
    known: Mapping[str, Indication],
    parts: Sequence[float],
    us: Sequence[float],
) -> Reconciled:
    values = [
        math.fsum(part * known[name].values[i] for part, name in zip(parts, members, strict=True))
        for i in range(3)
    ]
    shared_u = math.fsum(part * u for part, u in zip(parts, us, strict=True))
    apart = max(abs(known[name].salinity - values[2]) for name in members)
    flag = max(known[name].flag for name in members)
    return Reconciled((values[0], values[1], values[2]), max(shared_u, apart), flag, (*members,))


def _weights(us: Sequence[float]) -> list[float]:
    weights = [1.0 / u**2 for u in us]
    whole = math.fsum(weights)
    return [weight / whole for weight in weights]


def _aged_u(one: Indication, bins: PlaceBins | None, t_s: float) -> float:
    """Return what an indication is worth now, by how the water moved since about a minute."""
    recent = [] if bins is None else bins.between(bins.salinities, 0.0, 60.0)
    moved = abs(recent[-1] - recent[0]) / 60.0 if recent else 0.0
    return max(math.hypot(one.u, moved * max(t_s - one.t_s, 0.0)), LEAST_U)


def _leave_out(
    state: Reconciliation,
    names: Sequence[str],
    known: Mapping[str, Indication],
    bins: Mapping[str, PlaceBins],
    t_s: float,
    *,
    at_rest: bool,
) -> None:
    """Leave out a probe that left its own history, and take it back once it agrees again."""
    for name in names:
        if state.shares[name].left_s is not None:
            _take_back(state, name, names, known, t_s)
    inside = [name for name in names if state.shares[name].left_s is None]
    if len(inside) < 2:  # noqa: PLR2004 - a pair
        return
    moves = {name: _moved(known[name], bins.get(name)) for name in inside}
    alone = {
        name: moved for name, moved in moves.items() if moved is not None and (moved < 0 or at_rest)
    }
    if not alone:
        return
    name = max(alone, key=lambda each: abs(alone[each]))
    moved = alone[name]
    others = [each for each in inside if each != name]
    limits = [limit(known[name], known[each]) for each in others]
    apart = [abs(known[each].salinity - known[name].salinity) for each in others]
    beyond = all(gap > most for gap, most in zip(apart, limits, strict=True))
    stayed = all(_stayed(moves[each], moved, bins.get(each)) for each in others)
    if beyond and stayed and abs(moved) > MOVED_SHARE * max(limits):
        share = state.shares[name]
        share.left_s, share.moved, share.near_s = t_s, moved, None


def _moved(one: Indication, bins: PlaceBins | None) -> float | None:
    """Return how far a probe moved at once from where it rested; None where it did not rest."""
    before = [] if bins is None else bins.between(bins.salinities, *BEFORE_S)
    if len(before) < REST_BINS:
        return None
    moved = one.salinity - median(before)
    return moved if max(before) - min(before) <= MOVED_SHARE * abs(moved) else None


def _stayed(moved: float | None, other: float, bins: PlaceBins | None) -> bool:
    """Return whether a probe stayed where it was, and shows that it is not stuck."""
    if bins is None or len(bins.salinities) < REST_BINS:
        return False
    lives = max(bins.salinities) > min(bins.salinities)
    return lives and (moved is None or abs(moved) <= STAYED_SHARE * abs(other))


def _take_back(
    state: Reconciliation,
    name: str,
    names: Sequence[str],
    known: Mapping[str, Indication],
    t_s: float,
) -> None:
    share = state.shares[name]
    others = [each for each in names if each != name and state.shares[each].left_s is None]
    rose_long_ago = share.moved > 0.0 and t_s - (share.left_s or t_s) > ROSE_S
    if not others or rose_long_ago:
        share.left_s = share.near_s = None
        return
    if not all(agree(known[name], known[each]) for each in others):
        share.near_s = None
        return
    share.near_s = t_s if share.near_s is None else share.near_s
    if t_s - share.near_s >= AGREES_S:
        share.left_s = share.near_s = None


def agree(one: Indication, other: Indication) -> bool:
    """Return whether two indications may be of the same water."""
    return abs(one.salinity - other.salinity) <= limit(one, other)


def _note_dissent(
    state: Reconciliation,
    names: Sequence[str],
    members: Sequence[str],
    known: Mapping[str, Indication],
) -> None:
    """Note how far each probe reads from the others that count."""
    for name in names:
        others = [known[each] for each in members if each != name]
        if others:
            apart = [
                0.0 if agree(known[name], each) else abs(known[name].salinity - each.salinity)
                for each in others
            ]
            state.shares[name].dissent = max(apart)


def _even_out(
    state: Reconciliation, members: Sequence[str], parts: Sequence[float], whole: Reconciled
) -> None:
    """Let a change of the members move nothing for those who look for change in the water."""
    before, state.members = state.members, [*members]
    if whole.values[2] < EMPTY_PPT:
        state.even = (1.0, 0.0, 1.0)
    if not before or before == state.members:
        return
    known = [apart for name in members if (apart := state.shares[name].apart) is not None]
    if len(known) < len(members):
        return
    shift = [math.fsum(p * each[i] for p, each in zip(parts, known, strict=True)) for i in range(3)]
    conductivity, temperature, salinity = state.even
    state.even = (
        conductivity / (1.0 + shift[0]),
        temperature - shift[1],
        salinity / (1.0 + shift[2]),
    )
    for share in state.shares.values():
        if share.apart is not None:
            less = [old - new for old, new in zip(share.apart, shift, strict=True)]
            share.apart = (less[0], less[1], less[2])


def _remember(
    state: Reconciliation,
    names: Sequence[str],
    known: Mapping[str, Indication],
    whole: Reconciled,
    t_s: float,
    *,
    at_rest: bool,
) -> None:
    """Remember how far each probe is from the whole, and what it usually reads at rest."""
    for name in names:
        share, one = state.shares[name], known[name]
        inside = share.left_s is None and len(names) > 1
        if inside and whole.values[2] >= EMPTY_PPT:
            _remember_apart(share, one, whole, t_s - state.reconciled_s)
            share.compared_s = t_s if share.compared_s is None else share.compared_s
        if not at_rest or share.usual is None:
            share.usual = one.salinity if at_rest else None
        else:
            part = _part(t_s - share.usual_s, USUAL_TIME_S)
            share.usual += part * (one.salinity - share.usual)
        share.usual_s = t_s


def _remember_apart(share: Share, one: Indication, whole: Reconciled, dt_s: float) -> None:
    conductivity, temperature_C, salinity = whole.values
    gone = (
        one.conductivity_mS_cm / conductivity - 1.0,
        one.temperature_C - temperature_C,
        one.salinity / salinity - 1.0,
    )
    before = gone if share.apart is None else share.apart
    part = _part(dt_s, APART_TIME_S)
    mixed = [old + part * (new - old) for old, new in zip(before, gone, strict=True)]
    share.apart = (mixed[0], mixed[1], mixed[2])


def _part(dt_s: float, time_s: float) -> float:
    return -math.expm1(-max(dt_s, 0.0) / time_s)


def history_left(state: Reconciliation, one: str, other: str) -> str:
    """Return which of two probes left its own history, as the end of a sentence.

    Args:
        state: Of the probes.
        one: A probe.
        other: Another, which disagrees with it.
    """
    for name, rest in ((one, other), (other, one)):
        share = state.share(name)
        if share.elsewhere is not None:
            return (
                f"{name} left its own history at once, as no water does, so its readings are left"
                " out: is it in the water?"
            )
        if share.left_s is not None:
            return (
                f"{name} left its own history: it moved by {share.moved:+.2f} at once and {rest}"
                f" did not, so its readings are left out"
            )
    moved = {name: _drifted(state.share(name)) for name in (one, other)}
    first, second = moved[one], moved[other]
    if first is None or second is None:
        return "which of them is wrong cannot be told from their histories"
    name, far, near = (one, first, second) if abs(first) > abs(second) else (other, second, first)
    if abs(far) < DRIFTED_PPT or abs(far) < DRIFTED_TIMES * abs(near):
        return "which of them is wrong cannot be told from their histories"
    return f"{name} left its own history: it moved by {far:+.2f} in the last hours, at rest"


def _drifted(share: Share) -> float | None:
    if share.newest is None or share.usual is None:
        return None
    return share.newest.salinity - share.usual
