"""The chance that mixing is over as a person reads it, from a snapshot."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot

LEAST, MOST = 0.01, 0.99
"""Beyond them a chance is said to be less or more: nothing is certain."""


def chance_words(snapshot: ReservoirSnapshot) -> str:
    """Return the chance and what holds it back; empty while nothing is decided."""
    why = "; ".join(snapshot.held_back_by)
    if snapshot.chance_over is None:
        return f"unknown ({why})" if why else ""
    percent = percent_words(snapshot.chance_over)
    return f"{percent}, held back by: {why}" if why else percent


def without_chance(snapshot: ReservoirSnapshot) -> ReservoirSnapshot:
    """Return a snapshot that is not of the present any more: its chance is no longer one."""
    return replace(snapshot, chance_over=None, held_back_by=())


def percent_words(chance: float) -> str:
    """Return a chance in whole per cent."""
    if chance < LEAST:
        return f"less than {100.0 * LEAST:.0f} %"
    if chance > MOST:
        return f"more than {100.0 * MOST:.0f} %"
    return f"{100.0 * chance:.0f} %"
