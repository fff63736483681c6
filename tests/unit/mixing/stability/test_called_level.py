"""The level that a call states is that of the water."""

from __future__ import annotations

import pytest

from daemon.mixing.stability.detector import Stabilised
from tests.unit.mixing.stability.test_detector import mix, of_kind, reading, record, run


@pytest.mark.parametrize("before_s", range(-30, 181, 30))
def test_a_bubble_at_the_time_of_the_call_is_not_in_its_level(before_s: int) -> None:
    """For 50 s it lowers conductivity by a sixth; the level stated is that of the water."""
    rows = record(mix(), 2.5, every_s=10.0)
    (call_s,) = of_kind(run(rows), Stabilised)
    begin_s = call_s - before_s
    spoilt = [
        (t, row if not begin_s <= t < begin_s + 50.0 else reading(27.0, 24.0, 0.0, 0.001))
        for t, row in rows
    ]

    found = [each for _, each in run(spoilt) if isinstance(each, Stabilised)]

    assert found
    assert all(abs(each.salinity - 33.05) < 0.1 for each in found)
