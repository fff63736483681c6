"""Purified water is called impure only beyond what the instrument can tell, and does not flap."""

from __future__ import annotations

import pytest

from daemon.entries import Kind
from tests.parts.people import Bench, advice
from tests.parts.stories import Story, alarms, of

WARMTH_C = 25.0


def coarse(
    *levels_uS_cm: float, minutes: float = 10.0, step_uS_cm: float = 10.0, noise_uS_cm: float = 0.0
) -> Bench:
    """A bench beside water of these conductivities, so many minutes each, in steps of 10 µS/cm."""
    story = Story()
    for level in levels_uS_cm:
        for _ in range(round(minutes * 60.0 / story.period_s)):
            true = level + story.dice.gauss(0.0, noise_uS_cm)
            story.say(round(true / step_uS_cm) * step_uS_cm / 1000.0, WARMTH_C)
    bench = Bench(story)
    bench.run()
    return bench


@pytest.mark.parametrize(
    "level, impure", [(25.0, False), (40.0, False), (52.0, True), (60.0, True), (200.0, True)]
)
def test_steps_of_ten_say_so_only_where_it_is_certain(level: float, *, impure: bool) -> None:
    """40 may be water at 30, which is the limit; 60 is not."""
    bench = coarse(level)

    assert impure == ("blank-impure" in bench.alarms)
    assert impure == any("before any salt" in text for text in advice(bench.entries))


@pytest.mark.parametrize("level", [35.0, 45.0, 55.0])
def test_a_level_between_two_steps_does_not_flap(level: float) -> None:
    """It reads one step and the next by turns for two hours: at most one message."""
    bench = coarse(level, minutes=120.0, noise_uS_cm=2.0)

    assert len(advice(bench.entries)) <= 1
    assert len(alarms(bench.entries)) <= 1


def test_water_between_two_steps_beyond_the_limit_is_named() -> None:
    """55 reads 50 and 60, both of which are certain."""
    assert "blank-impure" in coarse(55.0, noise_uS_cm=2.0).alarms


def test_a_fine_instrument_about_the_limit_does_not_flap() -> None:
    """30 give or take 0.3, for two hours."""
    bench = coarse(30.0, minutes=120.0, step_uS_cm=0.1, noise_uS_cm=1.5)

    assert len(of(bench.entries, Kind.ADVICE)) <= 1
    assert len(alarms(bench.entries)) <= 1


def test_it_is_said_once_water_has_rested_there_for_two_minutes() -> None:
    """A spell of a minute and a half is none."""
    bench = coarse(5.0, 60.0, 5.0, minutes=1.5)
    assert [] == advice(bench.entries)
    assert set() == bench.alarms


def test_water_that_still_runs_in_is_not_called_impure_by_coarse_steps() -> None:
    """Falling by 5 µS/cm a minute, from 150 to 10."""
    bench = coarse(*(150.0 - 5.0 * minute for minute in range(28)), minutes=1.0)

    assert [] == advice(bench.entries)


def test_two_spells_are_alike() -> None:
    """Impure, pure, impure and pure: each is said once, and the second as the first."""
    bench = coarse(60.0, 10.0, 60.0, 10.0, minutes=12.0)
    said = advice(bench.entries)

    assert ["the water reads 60 µS/cm", "the purified water is pure"] * 2 == [
        text.split(" at 25")[0].removesuffix(" now") for text in said
    ]
    assert [("blank-impure", "raised"), ("blank-impure", "cleared")] * 2 == alarms(bench.entries)


def test_no_reading_neither_says_nor_ends_it() -> None:
    """Ten minutes without a value leave it as it was."""
    bench = coarse(60.0)
    bench.story.silence(10)
    bench.run()

    assert 1 == len(advice(bench.entries))
    assert bench.station.state.reservoirs["mix-1"].batch.impure
