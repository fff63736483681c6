"""A second reading that contradicts a release warns at once, and takes it back if it is no slip."""

from __future__ import annotations

import pytest

from tests.parts.people import Bench, a_batch, advice
from tests.parts.stories import alarms, phases


def mistyped() -> Bench:
    """A released batch of 34.0 of which another instrument is said to read 31.0."""
    bench = a_batch()
    bench.answer("batch.reading", salinity=31.0, u_ppt=0.2, instrument="lab")
    return bench


def test_one_reading_that_contradicts_warns_at_once_and_asks_for_another() -> None:
    """The release stands for ten minutes; the answer says what will become of it."""
    bench = a_batch()
    said = bench.answer("batch.reading", salinity=31.0, u_ppt=0.2, instrument="lab")

    assert "ready" == bench.phase
    assert "lab reads -3.0" in said
    assert "use none of it" in said
    assert "the same again takes it back at once" in said
    assert "after 10 min" in said
    assert ["use none of it" in text for text in advice(bench.entries)] == [True]
    bench.story.still(0.2)
    bench.run()
    assert {"batch-undecided"} == bench.alarms


@pytest.mark.parametrize("again, phase", [(31.0, "verifying"), (31.4, "verifying")])
def test_the_same_again_takes_the_release_back_at_once(again: float, phase: str) -> None:
    """As far as both readings are worth."""
    bench = mistyped()
    bench.story.still(3)
    bench.run()
    bench.answer("batch.reading", salinity=again, u_ppt=0.2, instrument="lab")

    assert phase == bench.phase


def test_a_reading_that_agrees_keeps_the_release() -> None:
    """The first one is taken for a slip, and nothing of it is left."""
    bench = mistyped()
    bench.story.still(3)
    bench.run()
    said = bench.answer("batch.reading", salinity=34.1, u_ppt=0.2, instrument="lab")
    assert "it agrees with the probe" in said
    bench.story.still(30)
    followed = bench.run()

    assert ("ready", set(), "") == (bench.phase, bench.alarms, bench.advice)
    assert [] == phases(followed)
    assert [("batch-undecided", "cleared")] == alarms(followed)


def test_without_an_answer_the_release_is_taken_back_after_ten_minutes() -> None:
    """Also while the probe is silent: a true contradiction does not stay without effect."""
    for silent in (False, True):
        bench = mistyped()
        bench.story.still(9.9)
        assert [] == phases(bench.run())
        (bench.story.silence if silent else bench.story.still)(0.5)
        assert ["verifying"] == phases(bench.run())
        assert "lab reads -3.0" in bench.advice


def test_two_readings_that_contradict_each_other_settle_nothing() -> None:
    """Two slips: the time goes on from the first, and the newest is compared."""
    bench = mistyped()
    bench.story.still(6)
    bench.run()
    bench.answer("batch.reading", salinity=36.5, u_ppt=0.2, instrument="lab")
    assert "ready" == bench.phase
    bench.story.still(5)

    assert ["verifying"] == phases(bench.run())


def test_a_second_contradiction_is_treated_like_the_first() -> None:
    """What was settled once does not count the next time."""
    bench = mistyped()
    bench.answer("batch.reading", salinity=34.0, u_ppt=0.2, instrument="lab")
    bench.story.still(20)
    bench.run()
    bench.answer("batch.reading", salinity=31.0, u_ppt=0.2, instrument="lab")
    assert "ready" == bench.phase
    bench.story.still(9.5)
    assert [] == phases(bench.run())
    bench.story.still(1)

    assert ["verifying"] == phases(bench.run())


@pytest.mark.parametrize("salinity", [3.41, 0.034, 39.1, 28.9])
def test_an_absurd_reading_is_not_taken_and_says_what_it_would_need(salinity: float) -> None:
    """A digit or a unit slipped, most likely."""
    bench = a_batch()
    said = bench.answer("batch.reading", salinity=salinity, instrument="lab")

    assert said.startswith(f"- lab reads {salinity:.2f} ppt and the probe 34.0")
    assert "anyway = true" in said
    assert ("ready", "") == (bench.phase, bench.advice)
    assert None is bench.station.state.reservoirs["mix-1"].batch.second


def test_an_absurd_reading_is_taken_where_a_person_insists() -> None:
    """It contradicts the release as any other does."""
    bench = a_batch()
    said = bench.answer("batch.reading", salinity=20.0, instrument="lab", anyway=True)
    assert "20.00 ppt taken; lab reads -14.0" in said
    bench.answer("batch.reading", salinity=20.0, instrument="lab", anyway=True)

    assert "verifying" == bench.phase
    assert "neither true nor false" in bench.answer("batch.reading", salinity=34.0, anyway="no")


@pytest.mark.parametrize("apart, taken", [(4.9, True), (5.1, False)])
def test_five_ppt_are_absurd(apart: float, *, taken: bool) -> None:
    """In every phase in which a reading counts."""
    bench = a_batch(31.0)
    assert "off_target" == bench.phase
    said = bench.answer("batch.reading", salinity=31.0 + apart)

    assert taken != said.startswith("-")
