"""A station whose probe fails, or whose mixing is late: what is told, and when."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Flag, Kind, Reading
from daemon.journal.checkpoint import dump, restore
from tests.parts.events import facts_in
from tests.parts.stories import BATCH, Story, a_station, alarms, minutes_between, mixed, of, phases


def test_a_silent_probe_is_reported_and_reported_again_when_it_works() -> None:
    """A device event each way, and each alarm after its own delay."""
    story = mixed(minutes=10)
    began = story.wall
    entries = story.silence(8).still(3).play()
    device = [
        (facts_in(e).get("health", facts_in(e)["state"]), facts_in(e).get("why"))
        for e in of(entries, Kind.DEVICE)
    ]
    at_s = [(e.at.wall - began).total_seconds() for e in of(entries, Kind.ALARM)]

    assert [
        ("fault", "no reply on /dev/ttyUSB0"),
        ("failure", "it gives no value"),
        ("working", None),
        ("good", None),
    ] == device
    assert [
        ("probe-fault", "raised"),
        ("reading-overdue", "suppressed"),
        ("probe-fault", "cleared"),
        ("reading-overdue", "unsuppressed"),
    ] == alarms(entries)
    assert [60.0, 300.0, 510.0, 510.0] == at_s


def test_a_probe_lifted_into_air_ends_no_batch() -> None:
    """A few minutes in air are a fault of the reading and not purified water."""
    entries = mixed().lifted(5).still(10).play()

    assert ["ready", "verifying", "ready"] == phases(entries)[-3:]
    assert ["began", "suspended", "resumed"] == [
        facts_in(event)["what"] for event in of(entries, Kind.BATCH)
    ]
    assert ("probe-fault", "raised") in alarms(entries)


def test_mixing_that_takes_too_long_is_alarmed_until_it_is_over() -> None:
    """The time is that of the configuration."""
    settings = replace(BATCH, settle_within_min=5.0)
    entries = mixed().play(settings=settings)
    dissolving = of(entries, Kind.PHASE)[1]

    assert [("mixing-overdue", "raised"), ("mixing-overdue", "cleared")] == alarms(entries)
    assert 5.0 <= minutes_between(dissolving, of(entries, Kind.ALARM)[0]) < 5.5


IMPOSSIBLE = [float("nan"), float("inf"), float("-inf"), 1e308, -1e308, 1e-320, -0.05, 250.0]


@pytest.mark.parametrize("conductivity", [*IMPOSSIBLE, 50.0])
@pytest.mark.parametrize("warmth", [*IMPOSSIBLE, 24.0])
def test_an_impossible_value_crashes_nothing(conductivity: float, warmth: float) -> None:
    """It is flagged, kept as it was said, and the station goes on."""
    station, story = a_station(), mixed(minutes=10)
    story.play(station)
    story.say(conductivity, warmth)
    entries = story.still(1).play(station)
    first = entries[0]

    assert isinstance(first, Reading)
    assert (repr(conductivity), repr(warmth)) == (
        repr(first.conductivity_mS_cm),
        repr(first.temperature_C),
    )
    assert first.flag is Flag.FAIL or (first.salinity is not None and warmth == 24.0)
    assert restore(dump(station.state)) is not None


def test_salt_poured_in_half_a_minute_is_no_fault() -> None:
    """What the spike and rate tests say of the pour keeps no batch from being seen."""
    entries = Story(period_s=2.0).still(3).ramp(0.5, 31.0).dissolve(34.0, 40).play()

    assert ["blank", "dissolving", "verifying", "ready"] == phases(entries)
