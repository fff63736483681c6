"""Readings unlike any that the network was taught, recognised by an envelope of the features."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.mixing.stability.familiarity import (
    FIGURES,
    MOST_OUTSIDE,
    RECENT,
    Envelope,
    envelope_of,
    outside,
    unfamiliar,
)
from daemon.mixing.stability.features import FEATURE_NAMES

ROWS = np.random.default_rng(1).normal(0.0, 1.0, (4000, len(FEATURE_NAMES)))


def row_with(**values: float) -> list[float]:
    """Return a row of nothing out of the ordinary but these."""
    return [values.get(name, 0.0) for name in FEATURE_NAMES]


def test_what_was_learned_is_familiar() -> None:
    """A half minute in hundreds lies outside of some figure; ten minutes do not on the same."""
    envelope = envelope_of(ROWS)

    marks = [outside(envelope, row.tolist()) for row in ROWS]

    assert sum(map(bool, marks)) < 0.02 * len(marks)
    assert all(unfamiliar(marks[at : at + RECENT]) == () for at in range(0, 4000, RECENT))


@pytest.mark.parametrize(
    "values, words",
    [
        ({"noise_4min": 9.0}, "how widely readings scatter"),
        ({"readings": -9.0}, "how often the probe is read"),
        ({"warmer_15min": 9.0}, "how the water warms or cools"),
        ({"finest_temperature": 9.0}, "how fine the instrument's steps are"),
    ],
)
def test_what_is_strange_is_named(values: dict[str, float], words: str) -> None:
    """In words of what a person can look at."""
    mark = outside(envelope_of(ROWS), row_with(**values))

    assert words in unfamiliar([mark] * MOST_OUTSIDE)


def test_a_few_strange_half_minutes_are_none() -> None:
    """Fewer than two in three of the last ten minutes say nothing."""
    mark = outside(envelope_of(ROWS), row_with(noise=9.0))
    few = [mark] * (MOST_OUTSIDE - 1) + [[]] * (RECENT - MOST_OUTSIDE + 1)

    assert () == unfamiliar(few)
    assert () == unfamiliar([mark] * (MOST_OUTSIDE - 1))


def test_a_combination_is_strange_whose_parts_are_not() -> None:
    """Scatter of a fine instrument on one of coarse steps."""
    rows = ROWS.copy()
    noise, step = FEATURE_NAMES.index("noise_4min"), FEATURE_NAMES.index("finest_conductivity")
    rows[:, noise] = rows[:, step] + 0.1 * rows[:, noise]

    mark = outside(envelope_of(rows), row_with(noise_4min=-2.0, finest_conductivity=2.0))

    assert [FIGURES.index("noise_4min - finest_conductivity")] == mark[:1] or mark
    assert "how widely readings scatter" in unfamiliar([mark] * RECENT)


def test_every_figure_has_words() -> None:
    """None can be outside without being named."""
    for each in range(len(FIGURES)):
        assert unfamiliar([[each]] * RECENT)


@pytest.mark.parametrize(
    "low, high", [([0.0], [1.0]), ([1.0] * len(FIGURES), [0.0] * len(FIGURES))]
)
def test_an_envelope_of_another_kind_is_refused(low: list[float], high: list[float]) -> None:
    """One that does not bound all figures, or is the wrong way round."""
    with pytest.raises(ValueError, match="the envelope has"):
        Envelope(np.array(low), np.array(high))
