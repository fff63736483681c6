"""A short run of `tests.campaigns.hub_rows`: still water, from the probe to the hub's database."""

from __future__ import annotations

from tests.campaigns.hub_rows import MOST_ROWS_A_DAY, recorded

HOURS = 1.5


def test_still_water_costs_a_hub_few_rows_and_is_shown() -> None:
    """Less than its share of a day's rows, beside the first one of each entity."""
    day = recorded(1.5e-4, HOURS)
    rows = day.recorder.rows
    first = len(day.recorder.states)

    assert rows.total() - first < MOST_ROWS_A_DAY * HOURS / 24.0
    assert rows["salinity"] > 5
    assert ("ready", "ON", "OFF") == tuple(
        day.recorder.states[id_] for id_ in ("phase", "measuring", "problem")
    )
    assert day.worst_C < 0.2
