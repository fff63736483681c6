"""Figures beside the salinity: facts as facts, forecasts as forecasts, the unknown as unknown."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from daemon.entries import JSON
from daemon.page.now.glance import Glance, TimeWords, glances
from daemon.page.view import ReservoirView
from tests.page.page_parts import NOW, display_settings, reservoir_view

TIMES = TimeWords(NOW, ZoneInfo("Europe/Berlin"))
AHEAD: dict[str, JSON] = {
    "phase": "dissolving",
    "expected_ready_at": "2031-05-04T09:20:00.000Z",
    "expected_ready_low": "2031-05-04T09:12:00.000Z",
    "expected_ready_high": "2031-05-04T22:41:00.000Z",
}


def found(reservoir: ReservoirView) -> dict[str, tuple[str, str]]:
    """The figures of a reservoir by their labels."""
    return {each.label: (each.value, each.more) for each in glances(reservoir, TIMES)}


def test_released_water_says_until_when_and_how_much() -> None:
    """In the station's time; litres are about, as nobody measures them."""
    view = reservoir_view(use_by="2031-05-05T07:40:00.000Z", volume_left_l=139.6)

    assert {
        "Temperature": ("24.5 °C", ""),
        "Use before": ("tomorrow 09:40", ""),
        "Left": ("about 140 L", ""),
    } == found(view)


def test_a_forecast_has_its_interval_and_is_about() -> None:
    """Of 80 per cent, over midnight too."""
    assert ("about 11:20", "80 %: today 11:12 to tomorrow 00:41") == (
        found(reservoir_view(facts=AHEAD))["May be used"]
    )


def test_where_release_needs_something_only_steadiness_is_forecast() -> None:
    """Nothing then says when the water may be used."""
    view = reservoir_view(facts=AHEAD, forecast_note="release then needs a confirmation")

    assert "May be used" not in found(view)
    assert found(view)["Expected steady"][1].endswith("; release then needs a confirmation")


def test_without_a_forecast_the_time_is_not_known_and_why() -> None:
    """In words where a moment would be."""
    view = reservoir_view(phase="dissolving", forecast_note="no forecast yet")

    assert ("not known", "no forecast yet") == found(view)["May be used"]


def test_a_forecast_that_has_passed_is_called_late() -> None:
    """It is no moment any more at which anything is to be expected."""
    view = reservoir_view(facts={**AHEAD, "expected_ready_at": "2031-05-04T08:20:00.000Z"})

    assert ("later than expected", "it was expected about 10:20") == found(view)["May be used"]


@pytest.mark.parametrize("phase", ["dissolving", "verifying", "ready", "off_target", "stale"])
def test_litres_that_nobody_knows_are_not_known_and_never_0(phase: str) -> None:
    """Of a batch; without one there is no such row."""
    assert ("not known", "") == found(reservoir_view(phase=phase))["Left"]
    assert "Left" not in found(reservoir_view(phase="idle", batch=None))
    assert "Left" not in found(reservoir_view(phase="blank"))


@pytest.mark.parametrize(
    "left_l, words", [(0.1, "about 0.1 L"), (9.96, "about 10.0 L"), (1250.0, "about 1250 L")]
)
def test_litres_have_the_digits_that_they_are_known_by(left_l: float, words: str) -> None:
    """Little with a tenth, much in whole ones."""
    assert words == found(reservoir_view(volume_left_l=left_l))["Left"][0]


def test_use_by_is_reckoned_where_the_record_does_not_have_it() -> None:
    """From the age and the configured hours; else it is not known."""
    one = reservoir_view()
    known = replace(one, settings=replace(display_settings(), use_within_h=24.0))

    assert ("not known", "") == found(one)["Use before"]
    assert ("tomorrow 09:29", "") == found(known)["Use before"]


def test_expired_water_says_since_when() -> None:
    """A day of its own where that was not today."""
    view = reservoir_view(phase="stale", use_by="2031-05-03T20:00:00.000Z")

    assert ("yesterday 22:00", "") == found(view)["Expired"]
    assert "Use before" not in found(view)


def test_steady_water_says_since_when_and_a_due_batch_by_when() -> None:
    """Facts where nothing is forecast."""
    assert ("09:10", "") == found(reservoir_view(phase="verifying"))["Steady since"]
    due = reservoir_view(
        phase="idle", batch=None, start_by="2031-05-06T05:00:00.000Z", wanted="60 L"
    )
    assert ("Tuesday 07:00", "60 L") == found(due)["Begin by"]


def test_a_suspended_batch_says_since_when_and_nothing_else_of_its_water() -> None:
    """Until when to use it belongs to water that is known to be there."""
    question: dict[str, JSON] = {
        "text": "?",
        "why": "air",
        "since": "2031-05-04T08:48:00.000Z",
        "answers": [],
    }
    view = reservoir_view(use_by="2031-05-05T07:40:00.000Z", question=question)

    assert ["Temperature", "Suspended", "Left"] == [*found(view)]
    assert ("since 10:48", "") == found(view)["Suspended"]


@pytest.mark.parametrize("age_s", [7200.0, -7200.0, None])
def test_of_an_old_reading_only_the_temperature_is_left_and_called_old(
    age_s: float | None,
) -> None:
    """What was to be used by then may be gone."""
    view = reservoir_view(age_s=age_s, use_by="2031-05-05T07:40:00.000Z", volume_left_l=140.0)

    assert {"Temperature": ("24.5 °C", "last known")} == found(view)


def test_a_temperature_that_did_not_come_is_not_known() -> None:
    """And never 0 °C; without any reading there is nothing to say."""
    assert ("not known", "") == found(reservoir_view(temperature_C=None))["Temperature"]
    assert () == glances(ReservoirView(display_settings(), None, None), TIMES)


def test_a_moment_that_is_none_stands_as_it_is() -> None:
    """A journal may hold anything; it breaks nothing."""
    view = reservoir_view(phase="verifying", stable_at="soon")

    assert Glance("Steady since", "soon") in glances(view, TIMES)
