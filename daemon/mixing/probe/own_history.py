"""Which of several probes in the same water left its own history.

A probe leaves its own history when it moves at once and the others, which show life, do not: it is
left out until it reads as the others again.  It may have met salt that the others have not met
yet: so while the first salt is mixed only one that falls is left out, as a bubble that sticks makes
it, and one that rises counts again after some minutes.  Where both move, or neither does, nobody
can say which is wrong.  Nor can who repeats itself to the last digit tell of another that it moved
alone.

A probe that has read next to nothing since before the salt, and goes on so in salt water, is not in
it.

All thresholds are our own choice.
"""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING

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
SALTED_PPT = 5.0
"""Where salt has reached all probes, one that rises alone has not met it first, practical
salinity."""
ROSE_S = 180.0
"""One that rose is left out no longer, s: what it met reaches the others, or is in the water."""
AGREES_S = 60.0
"""So long a probe that was left out must read as the others, s."""
LIVES_S = 120.0
"""Who shows the very same conductivity for so long does not say that nothing moved, s."""
STILL_S = 300.0
"""Figures that are the same for so long are those of a probe that may be stuck, s."""
BARE_PPT, BARE_S = 0.1, 900.0
"""Less than the first is next to nothing, practical salinity; and salt that is stirred reaches all
parts of a vessel within the second, s."""
DRIFTED_PPT, DRIFTED_TIMES = 0.1, 4.0
"""At rest a probe has left its history that moved by the first, and so many times more than the
others."""


def limit(one: Indication, other: Indication) -> float:
    """Return how far two indications may differ and agree, practical salinity."""
    return max(APART_PPT, SURE * math.hypot(one.u, other.u))


def agree(one: Indication, other: Indication) -> bool:
    """Return whether two indications may be of the same water."""
    return abs(one.salinity - other.salinity) <= limit(one, other)


def leave_out(
    state: Reconciliation,
    names: Sequence[str],
    known: Mapping[str, Indication],
    bins: Mapping[str, PlaceBins],
    t_s: float,
    *,
    at_rest: bool,
) -> None:
    """Leave out a probe that left its own history, and take it back once it agrees again.

    Args:
        state: Of the probes; changed in place.
        names: Of those that measure the water now.
        known: What each said last.
        bins: The last minutes of each.
        t_s: Monotonic time, s.
        at_rest: Whether nothing is being mixed.
    """
    for name in names:
        if state.shares[name].left_s is not None:
            _take_back(state, name, names, known, bins, t_s)
    _leave_bare_out(state, names, known, t_s)
    inside = [name for name in names if state.shares[name].left_s is None]
    if len(inside) < 2:  # noqa: PLR2004 - a pair
        return
    moves = {name: moved_at_once(known[name], bins.get(name)) for name in inside}
    alone = {
        name: moved
        for name, moved in moves.items()
        if moved is not None and (moved < 0 or at_rest or _has_salt(known, inside, name))
    }
    if not alone:
        return
    name = max(alone, key=lambda each: abs(alone[each]))
    moved = alone[name]
    others = [each for each in inside if each != name]
    limits = [limit(known[name], known[each]) for each in others]
    apart = [abs(known[each].salinity - known[name].salinity) for each in others]
    beyond = all(gap > most for gap, most in zip(apart, limits, strict=True))
    # Who has read nothing since cannot tell that it stayed.
    lately = all(t_s - known[each].t_s <= BEFORE_S[0] for each in others)
    still = lately and all(stayed(moves[each], moved, bins.get(each)) for each in others)
    if beyond and still and abs(moved) > MOVED_SHARE * max(limits):
        share = state.shares[name]
        share.left_s, share.moved, share.near_s = t_s, moved, None


def _has_salt(known: Mapping[str, Indication], inside: Sequence[str], name: str) -> bool:
    """Return whether salt has reached the other probes, so that it is no news at this one."""
    return all(known[each].salinity >= SALTED_PPT for each in inside if each != name)


def moved_at_once(one: Indication, bins: PlaceBins | None) -> float | None:
    """Return how far a probe moved at once from where it rested; None where it did not rest."""
    before = [] if bins is None else bins.between(bins.salinities, *BEFORE_S)
    if len(before) < REST_BINS:
        return None
    moved = one.salinity - median(before)
    return moved if max(before) - min(before) <= MOVED_SHARE * abs(moved) else None


def stayed(moved: float | None, other: float, bins: PlaceBins | None) -> bool:
    """Return whether a probe stayed where it was, and shows that it is not stuck."""
    if bins is None or len(bins.salinities) < REST_BINS:
        return False
    return _lives(bins) and (moved is None or abs(moved) <= STAYED_SHARE * abs(other))


def _lives(bins: PlaceBins) -> bool:
    """Return whether a probe indicated different conductivities in the last minutes."""
    recent = bins.between(bins.conductivities, 0.0, LIVES_S)
    return bool(recent) and max(recent) > min(recent)


def is_still(bins: PlaceBins | None) -> bool:
    """Return whether a probe has shown the very same figures for all the minutes that are kept."""
    if bins is None or bins.now_s - min(bins.times_s, default=bins.now_s) < STILL_S:
        return False
    return max(bins.salinities) == min(bins.salinities)


def _leave_bare_out(
    state: Reconciliation, names: Sequence[str], known: Mapping[str, Indication], t_s: float
) -> None:
    """Leave out a probe that never came into the water before the salt did: it hangs dry."""
    pure = all(known[name].salinity < BARE_PPT for name in names)
    for name in names:
        share, now = state.shares[name], known[name].salinity
        share.salted = not pure and (share.salted or now >= SALTED_PPT)
        others = [each for each in names if each != name and state.shares[each].left_s is None]
        salt = bool(others) and _has_salt(known, [*others, name], name)
        if share.salted or now >= BARE_PPT or not salt:
            share.bare_s = None
            continue
        share.bare_s = t_s if share.bare_s is None else share.bare_s
        if share.left_s is None and t_s - share.bare_s >= BARE_S:
            share.left_s, share.moved, share.near_s = t_s, 0.0, None


def _take_back(
    state: Reconciliation,
    name: str,
    names: Sequence[str],
    known: Mapping[str, Indication],
    bins: Mapping[str, PlaceBins],
    t_s: float,
) -> None:
    share = state.shares[name]
    others = [each for each in names if each != name and state.shares[each].left_s is None]
    left_for_s = t_s - (share.left_s or t_s)
    rose_long_ago = share.moved > 0.0 and left_for_s > ROSE_S
    # Those who are stuck since before it moved have shown no life until now.
    unproven = share.moved != 0.0 and left_for_s > LIVES_S and _stuck(others, bins)
    if not others or rose_long_ago or unproven:
        share.left_s = share.near_s = None
        return
    if not all(agree(known[name], known[each]) for each in others):
        share.near_s = None
        return
    share.near_s = t_s if share.near_s is None else share.near_s
    if t_s - share.near_s >= AGREES_S:
        share.left_s = share.near_s = None


def _stuck(names: Sequence[str], bins: Mapping[str, PlaceBins]) -> bool:
    """Return whether each of these repeats itself to the last digit."""
    return all((its := bins.get(name)) is not None and not _lives(its) for name in names)


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
        if share.left_s is not None and share.bare_s is not None:
            return (
                f"{name} has read next to nothing since before {rest} read salt, so its readings"
                " are left out: is it in the water?"
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
