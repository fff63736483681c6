"""The chance that mixing is over, as a line of words and a bar that a template draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.station.chance_words import chance_words
from daemon.page.now.gauge import WIDTH

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot

HEIGHT = 8.0
LONGEST = 300
"""Most characters of the words; two phrases are some 100."""


@dataclass(frozen=True, slots=True)
class ChanceBar:
    """A bar from nothing to certain, and its words.

    Attributes:
        words: The chance and what holds it back.
        share: How far the bar is filled; None where the chance is not known.
    """

    words: str
    share: float | None
    width: float = WIDTH
    height: float = HEIGHT


def chance_bar(snapshot: ReservoirSnapshot) -> ChanceBar | None:
    """Return the bar of a snapshot; None while nothing is decided."""
    words, chance = chance_words(snapshot), snapshot.chance_over
    if not words:
        return None
    known = chance is not None and 0.0 <= chance <= 1.0
    share = round(chance * WIDTH, 1) if chance is not None and known else None
    return ChanceBar(f"Mixing over: {words}"[:LONGEST], share)
