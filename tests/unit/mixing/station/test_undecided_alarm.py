"""A batch that stays undecided needs a person, who is told what would decide it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Kind
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch
from tests.parts.stories import BATCH, alarms, minutes_between, of

NEAR = 33.2


def undecided(minutes: float = 32.0) -> Bench:
    """A bench beside water at 33.2 that has been verified for so long."""
    bench = a_batch(NEAR)
    assert "verifying" == bench.phase
    bench.story.still(minutes)
    bench.run()
    return bench


def test_an_undecided_batch_is_an_alarm_after_half_an_hour() -> None:
    """Medium, with the figures and what to add to move away from the limit."""
    bench = undecided()
    (raised,) = of(bench.entries, Kind.ALARM)
    verified = next(
        each for each in of(bench.entries, Kind.PHASE) if facts_in(each)["to"] == "verifying"
    )

    assert {"batch-undecided"} == bench.alarms
    assert 30.0 == pytest.approx(minutes_between(verified, raised), abs=0.2)
    assert "medium" == facts_in(raised)["priority"]
    assert "33.2" in str(facts_in(raised)["why"])
    assert "or add about" in str(facts_in(raised)["why"])


def test_the_time_is_that_of_the_configuration() -> None:
    """An owner who waits longer is not called before."""
    bench = a_batch(NEAR, replace(BATCH, undecided_after_min=50.0))
    bench.story.still(20)
    bench.run()
    assert set() == bench.alarms
    bench.story.still(20)
    bench.run()

    assert {"batch-undecided"} == bench.alarms


def test_what_is_awaited_is_an_alarm_too() -> None:
    """A confirmation that nobody gives; it ends with the release."""
    bench = a_batch(settings=replace(BATCH, needs_confirmation=True))
    bench.story.still(40)
    bench.run()
    assert {"batch-undecided"} == bench.alarms
    bench.answer("batch.confirm")
    bench.story.still(1)

    assert [("batch-undecided", "cleared")] == alarms(bench.run())


def test_two_episodes_are_alike_and_salt_ends_each() -> None:
    """Salt that goes in ends it with the reason, and the next one counts from its own beginning."""
    bench = undecided()
    first = alarms(bench.entries)
    bench.story.dissolve(34.9, 75)
    said = bench.run()
    endings = [
        str(facts_in(each)["why"])
        for each in of(said, Kind.ALARM)
        if facts_in(each)["what"] == "cleared"
    ]

    assert [
        "salt was added or went into solution: the batch is judged again once it is steady"
    ] == (endings)
    assert [*first, ("batch-undecided", "cleared"), *first] == alarms(bench.entries)


def test_a_probe_that_fails_is_the_cause_and_not_the_undecided_batch() -> None:
    """Suppressed by design while the probe's own alarm is active, and back with it."""
    bench = undecided()
    bench.story.silence(15)
    bench.run()
    assert "batch-undecided" not in bench.alarms
    assert "probe-fault" in bench.alarms
    bench.story.still(10)
    bench.run()

    assert {"batch-undecided"} == bench.alarms
