"""The chance that mixing is over, as a line of words and a bar that a template draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.station.chance_words import chance_words, percent_words

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot

WIDTH, HEIGHT = 360.0, 8.0


@dataclass(frozen=True, slots=True)
class ChanceBar:
    """A bar from nothing to certain, and its words.

    Attributes:
        words: The chance; what holds it back is what is waited for, and stands there.
        share: How far the bar is filled; None where the chance is not known.
    """

    words: str
    share: float | None
    width: float = WIDTH
    height: float = HEIGHT


def chance_bar(snapshot: ReservoirSnapshot) -> ChanceBar | None:
    """Return the bar of a snapshot; None while nothing is decided."""
    if not chance_words(snapshot):
        return None
    chance = snapshot.chance_over
    if chance is None or not 0.0 <= chance <= 1.0:
        return ChanceBar("Mixing over: unknown", None)
    return ChanceBar(f"Mixing over: {percent_words(chance)}", round(chance * WIDTH, 1))
