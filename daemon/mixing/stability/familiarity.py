"""Readings unlike any that the network was taught: then its score is worth nothing.

A network extrapolates without noticing it.  So the range of each feature, and of a few differences
of two, is stored with its weights; a half minute outside says nothing, for one in a thousand that
was learned lies there, but most of the last ten minutes outside on the same figure do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from daemon.mixing.stability.cells import Floats
from daemon.mixing.stability.features import FEATURE_NAMES

RECENT = 20
"""So many newest half minutes are looked at: ten minutes."""

MOST_OUTSIDE = 14
"""So many of them outside on one figure are too many."""

DIFFERENCES = (
    ("noise_4min", "finest_conductivity"), ("noise_4min", "echo"), ("off_5min", "off_30min"),
)  # fmt: skip
"""Differences of two features that are looked at beside them: scatter in steps of the instrument,
scatter that is its own echo, and how salinity bends."""

FIGURES = (*FEATURE_NAMES, *(f"{one} - {other}" for one, other in DIFFERENCES))
"""All that an envelope bounds, in its order."""

SHARE_OUTSIDE = 0.0005
"""Share of the half minutes learned that may lie beyond either end of an envelope."""

_WIDER = 0.1
_WORDS = (
    ("known", "whether readings come"),
    ("salinity", "salinity itself"),
    ("step", "how salinity leaps"),
    ("off", "how salinity moves"),
    ("climb", "how salinity moves"),
    ("noise", "how widely readings scatter"),
    ("echo", "how readings wander"),
    ("same", "how often readings repeat themselves"),
    ("conductivity_run", "how often readings repeat themselves"),
    ("temperature_run", "how often readings repeat themselves"),
    ("warmer", "how the water warms or cools"),
    ("readings", "how often the probe is read"),
    ("cut_low", "how many readings lie low"),
    ("finest", "how fine the instrument's steps are"),
)
_ONE = np.array([FEATURE_NAMES.index(one) for one, _ in DIFFERENCES])
_OTHER = np.array([FEATURE_NAMES.index(other) for _, other in DIFFERENCES])


@dataclass(frozen=True, slots=True)
class Envelope:
    """What the half minutes that the network learned from were like.

    Attributes:
        low: Low end of each of `FIGURES`.
        high: High end, likewise.
    """

    low: Floats
    high: Floats

    def __post_init__(self) -> None:
        """Check that it bounds all figures.

        Raises:
            ValueError: It has another length, or an end beyond the other.
        """
        if not self.low.shape == self.high.shape == (len(FIGURES),):
            shapes = f"{self.low.shape} and {self.high.shape}"
            raise ValueError(f"the envelope has the shapes {shapes}, not ({len(FIGURES)},)")
        if np.any(self.low > self.high):
            raise ValueError("the envelope has a low end above its high one")


def figures(rows: Floats) -> Floats:
    """Return the figures of rows of features."""
    return np.concatenate([rows, rows[..., _ONE] - rows[..., _OTHER]], axis=-1)


def envelope_of(rows: Floats) -> Envelope:
    """Return the envelope of the half minutes that a network learned from.

    Args:
        rows: Of features, those without readings left out.
    """
    every = figures(rows)
    low, high = np.quantile(every, [SHARE_OUTSIDE, 1.0 - SHARE_OUTSIDE], axis=0)
    room = _WIDER * (high - low)
    return Envelope(np.round(low - room, 3), np.round(high + room, 3))


def outside(envelope: Envelope, row: list[float]) -> list[int]:
    """Return which figures of a half minute lie outside."""
    every = figures(np.array(row))
    beyond = np.flatnonzero((every < envelope.low) | (every > envelope.high))
    return [int(each) for each in beyond]


def unfamiliar(recent: list[list[int]]) -> tuple[str, ...]:
    """Return, in words, how the newest half minutes are unlike any that were learned.

    Args:
        recent: What `outside` gave of at most the newest `RECENT` half minutes.
    """
    if len(recent) < MOST_OUTSIDE:
        return ()
    count = np.bincount([each for some in recent for each in some], minlength=len(FIGURES))
    strange = np.flatnonzero(count >= MOST_OUTSIDE)
    return tuple(dict.fromkeys(_words(FIGURES[each]) for each in strange))


def _words(figure: str) -> str:
    if figure.startswith("off_5min - "):
        return "how salinity moves"
    return next(words for starts, words in _WORDS if figure.startswith(starts))
