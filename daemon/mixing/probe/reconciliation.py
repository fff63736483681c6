"""One salinity from several probes in the same water, and what it is worth.

The mean is weighted by uncertainty.  Nobody knows how much two probes share (a bottle, a
thermometer, a person), so their mean is worth no more than the weighted mean of what each is
worth: that holds whatever they share.  Nor is it worth more than how far they are apart, also once
only one of those who disagreed is left.  All thresholds are our own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.probe.continuity import (
    EMPTY_PPT,
    even_out,
    remember_apart,
    share_of,
    take_back_steps,
)
from daemon.mixing.probe.own_history import AGREES_S, agree, leave_out

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from daemon.mixing.probe.place_bins import PlaceBins
    from daemon.mixing.probe.shares import Indication, Reconciliation, Share

USUAL_TIME_S = 3.0 * 3600.0
"""Time over which the level at rest is remembered, s."""
UNKNOWN_PACE_PPT_S = 0.05
"""Of water that nobody has watched for a while: a brisk batch, practical salinity a second."""
LEAST_U = 1e-4
"""No indication is worth more, practical salinity; keeps a weight finite."""
LEAST = 1e-3
"""Weights are by the share that an uncertainty is of its value: else a probe in air, where that is
next to nothing, would outweigh all others.  What reads less counts as this, practical salinity."""


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
    leave_out(state, names, known, bins, t_s, at_rest=at_rest)
    members = _members(state, names, t_s)
    if not members:
        return None
    pace = _pace_ppt_s(bins)
    us = [_aged_u(known[name], pace, t_s) for name in members]
    parts = _weights(
        [u / max(known[name].salinity, LEAST) for u, name in zip(us, members, strict=True)]
    )
    whole = _mean(members, known, parts, us)
    take_back_steps(state, names, known, bins, whole.values)
    _note_dissent(state, names, members, known)
    if len(members) == 1 and _is_doubted(state, members[0]):
        # Nobody knows which of those who disagreed was right.
        whole = replace(whole, u=max(whole.u, state.shares[members[0]].dissent))
    even_out(state, members, parts, known, whole.values)
    _remember(state, names, known, whole, t_s, at_rest=at_rest)
    state.reconciled_s, state.values = t_s, whole.values
    return whole


def reasons(
    state: Reconciliation, together: Reconciled, decides: str
) -> tuple[dict[str, Flag], dict[str, str]]:
    """Return the tests of a probe that has the flag of all, and their figures with its name.

    Args:
        state: Of the probes.
        together: What they say together.
        decides: The probe that decides: it comes first, and its figures need no name.
    """
    for name in sorted(together.members, key=lambda each: each != decides):
        newest = state.share(name).newest
        if newest is not None and newest.flag is together.flag:
            said = "" if name == decides else f"{name}: "
            return {**newest.tests}, {test: said + why for test, why in newest.figures.items()}
    return {}, {}


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


def _pace_ppt_s(bins: Mapping[str, PlaceBins]) -> float:
    """Return how fast the water moved since about a minute, by the probe that saw most of it."""
    recent = [each.between(each.salinities, 0.0, 60.0) for each in bins.values()]
    paces = [abs(values[-1] - values[0]) / 60.0 for values in recent if len(values) > 1]
    return max(paces, default=UNKNOWN_PACE_PPT_S)


def _aged_u(one: Indication, pace_ppt_s: float, t_s: float) -> float:
    """Return what an indication is worth now, by how the water has moved since."""
    return max(math.hypot(one.u, pace_ppt_s * max(t_s - one.t_s, 0.0)), LEAST_U)


def _is_doubted(state: Reconciliation, name: str) -> bool:
    """Return whether another probe may have been right that does not count now.

    One that was refused because it repeats itself was not.
    """
    return any(
        share.elsewhere is None and share.left_s is None and not share.stuck
        for other, share in state.shares.items()
        if other != name
    )


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
        if len(names) > 1 and share.left_s is None:
            # In purified water too: else nobody would see salt beside one that hangs dry.
            share.compared_s = t_s if share.compared_s is None else share.compared_s
        if len(names) > 1 and share.left_s is None and whole.values[2] >= EMPTY_PPT:
            remember_apart(share, one, whole.values, t_s - state.reconciled_s)
        if not at_rest or share.usual is None:
            share.usual = one.salinity if at_rest else None
        else:
            part = share_of(t_s - share.usual_s, USUAL_TIME_S)
            share.usual += part * (one.salinity - share.usual)
        share.usual_s = t_s
