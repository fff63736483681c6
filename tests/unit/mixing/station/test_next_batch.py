"""What is remembered of one batch must not decide about the next, nor about a second release."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Kind, Phase
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench
from tests.parts.stories import BATCH, Story, alarms, of, phases
from tests.parts.weights import weights


def test_water_released_again_that_is_stale_when_due_is_a_missed_start() -> None:
    """Released at about 8:40 for 4 h and again before noon, it is too old for 13:00."""
    settings = ReservoirSettings(
        "mix-1",
        replace(BATCH, use_within_h=4.0, warn_before_h=0.0),
        due=(DueBatch(None, 13, 0, 60.0),),
    )
    story = Story(period_s=10.0).still(6).dissolve(34.0, 174).dissolve(33.6, 72)
    bench = Bench(story, Station({"mix-1": settings}, weights()))
    said = bench.run()

    assert ["blank", "dissolving", "verifying", "ready", "dissolving", "verifying", "ready"] == (
        phases(said)
    )
    second = [each for each in of(said, Kind.PHASE) if facts_in(each)["to"] == "ready"][1]
    assert (second.at.wall.hour, bench.story.wall.hour) == (11, 12)
    assert set() == bench.alarms
    bench.story.still(6)
    bench.run()

    assert (Phase.READY, {"start-missed"}) == (bench.phase, bench.alarms)


@pytest.fixture(scope="module")
def crept() -> Bench:
    """A batch that crept away after its release, rested and was released a second time."""
    bench = Bench(Story(period_s=10.0).still(6).dissolve(34.0, 80).ramp(5 * 60.0, 34.5).still(75))
    said = bench.run()
    assert ["dissolving", "verifying", "ready"] == phases(said)[-3:]
    causes = [facts_in(each)["cause"] for each in of(said, Kind.DISTURBED)]
    assert ["drift"] == causes
    return bench


def test_a_drift_of_one_batch_does_not_silence_the_next_that_mixes_too_long(crept: Bench) -> None:
    """Salt that still comes in after an hour and more is told, whatever the water before did."""
    crept.story.refilled().still(6).dissolve(34.0, 100, 2400.0)
    said = crept.run()

    assert Phase.DISSOLVING == crept.phase
    assert ("mixing-overdue", "raised") in alarms(said)
