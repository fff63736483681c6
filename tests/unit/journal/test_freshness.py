"""Ages in words."""

from __future__ import annotations

import pytest

from daemon.journal.freshness import span


@pytest.mark.parametrize(
    "duration_s, words",
    [(0.0, "0 s"), (119.0, "119 s"), (120.0, "2 min"), (7200.0, "2 h"), (172_800.0, "2 days")],
)
def test_spans_are_in_the_unit_of_their_size(duration_s: float, words: str) -> None:
    """As a person would say it."""
    assert words == span(duration_s)
