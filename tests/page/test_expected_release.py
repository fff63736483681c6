"""When the water may be used, as the page says it."""

from __future__ import annotations

import pytest

from daemon.entries import JSON, Phase
from tests.page.outline_parts import read
from tests.page.page_parts import reservoir_view, station_view


def test_why_there_is_no_forecast_is_said() -> None:
    """In words where a moment would be."""
    said = read(station_view(reservoir_view(phase="dissolving", forecast_note="no forecast yet")))

    assert "Expected releaseno forecast yet" in said.text


@pytest.mark.parametrize(
    "phase, label, other",
    [
        (Phase.DISSOLVING, "Expected releaseabout 09:20 (09:12 to 09:41 UTC)", "Steady since"),
        (Phase.READY, "Steady since2031-05-04 07:10 UTC", "Expected"),
        (Phase.BLANK, "", "teady"),
    ],
)
def test_a_forecast_is_not_called_a_fact(phase: Phase, label: str, other: str) -> None:
    """While salt dissolves the moment lies ahead, and the label says so."""
    ahead: dict[str, JSON] = {
        "expected_ready_at": "2031-05-04T09:20:00.000Z",
        "expected_ready_low": "2031-05-04T09:12:00.000Z",
        "expected_ready_high": "2031-05-04T09:41:00.000Z",
    }
    said = read(station_view(reservoir_view(facts=ahead, phase=str(phase)))).text

    assert label in said
    assert other not in said


def test_a_forecast_as_old_as_its_reading_is_not_shown() -> None:
    """What was forecast when readings ended has not been judged since."""
    ahead: dict[str, JSON] = {
        "expected_ready_at": "2031-05-04T09:20:00.000Z",
        "expected_ready_low": "2031-05-04T09:12:00.000Z",
        "expected_ready_high": "2031-05-04T09:41:00.000Z",
    }
    said = [
        read(station_view(reservoir_view(age_s=age_s, facts=ahead, phase="dissolving"))).text
        for age_s in (2.0, 7200.0)
    ]

    assert ["Expected release" in each for each in said] == [True, False]
