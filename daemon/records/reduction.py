"""Few of many samples of a curve: least and greatest of each stretch, and the edges of gaps.

A stretch is so many samples that follow one another, so that no clock decides what belongs
together.  A silence that is a gap ends a stretch; the samples on both sides of it are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

Sample: TypeAlias = tuple[int, float, float]
"""Its number, the silence before it in seconds, and its value.

Of one that is kept of many the silence is the longest since the one that is kept before it, so
that what is kept can be reduced again.
"""

GAP_PERIODS = 5.0
SHORTEST_GAP_S = 15.0
"""A silence is a gap from so many periods of the probe and so many seconds on: our choice."""
FOLLOWS = 0.05
"""How quickly the usual silence follows a probe whose period changes: within some 20 samples."""
SEVERAL = 10.0
"""A silence counts as so many usual ones at most, or a long one would be the usual one after it."""


def is_gap(silence_s: float, usual_s: float) -> bool:
    """Say whether nothing connects two samples with such a silence between them."""
    return silence_s > max(SHORTEST_GAP_S, GAP_PERIODS * usual_s)


def reduced(samples: Iterable[Sample], step: int) -> list[Sample]:
    """Return which samples are kept of a curve, in their order.

    Args:
        samples: In their order.
        step: How many of them share two places, 1 or more; with 1 all are kept.
    """
    return [sample for stretch in _stretches(samples, step) for sample in stretch.samples()]


def stretch_length(count: int, most: int) -> int:
    """Return how many samples must share two places for so many to become few.

    Args:
        count: Samples there are.
        most: Places there are, 4 or more; gaps take some more.
    """
    return 1 if count <= most else -(-count // ((most - 2) // 2))


@dataclass(slots=True)
class _Stretch:
    """Samples that share two places; `edges` are those that are kept besides."""

    first: Sample
    low: Sample
    high: Sample
    last: Sample
    silence_s: float = 0.0
    edges: set[Sample] = field(default_factory=set)

    def samples(self) -> Iterator[Sample]:
        number, silence_s, value = self.first
        chosen = sorted({self.low, self.high, *self.edges})
        if chosen[0][0] != number:
            number, _, value = chosen[0]
            silence_s = max(silence_s, self.silence_s)
        yield number, silence_s, value
        yield from ((number, self.silence_s, value) for number, _, value in chosen[1:])


def _stretches(samples: Iterable[Sample], step: int) -> Iterator[_Stretch]:
    now: _Stretch | None = None
    count, usual_s = 0, -1.0
    for sample in samples:
        _, silence_s, value = sample
        if now is None:
            now, count = _Stretch(sample, sample, sample, sample, edges={sample}), 1
            continue
        if usual_s < 0.0:
            usual_s = silence_s
        gap = silence_s > SHORTEST_GAP_S and is_gap(silence_s, usual_s)
        most_s = SEVERAL * usual_s
        usual_s += FOLLOWS * ((min(most_s, silence_s)) - usual_s)
        if gap or count == step:
            if gap:
                now.edges.add(now.last)
            yield now
            now, count = _Stretch(sample, sample, sample, sample), 1
            if gap:
                now.edges.add(sample)
            continue
        count += 1
        now.last = sample
        now.silence_s = max(now.silence_s, silence_s)
        if value < now.low[2]:
            now.low = sample
        elif value > now.high[2]:
            now.high = sample
    if now is not None:
        now.edges.add(now.last)
        yield now
