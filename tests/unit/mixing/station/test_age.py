"""Age is the water's: it counts from the first release on, whatever becomes of the batch."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest

from daemon.entries import Instant, Kind, Surroundings
from daemon.journal.checkpoint import dump, restore_batches
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch
from tests.parts.stories import BATCH, Story, alarms, of, phases
from tests.parts.weights import weights

SHORT = replace(BATCH, use_within_h=1.5)


def tick(bench: Bench, minutes: float) -> list[tuple[str, str]]:
    """Let the station look at its surroundings every ten seconds, and hear nothing else."""
    entries = []
    for _ in range(round(minutes * 6)):
        bench.story.away(10.0 / 3600.0)
        at = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
        entries += bench.station.advance(Surroundings(at, 10**10))
    bench.entries += entries
    return [*alarms(entries), *(("phase", each) for each in phases(entries))]


def hours(bench: Bench) -> float:
    """The age of the water now, h."""
    value = bench.snapshot["age_h"]
    assert isinstance(value, float)
    return value


def test_age_counts_in_every_phase_from_the_release_on() -> None:
    """While water mixes in, while it is off target, and while it is released again."""
    bench = a_batch()
    ages = [hours(bench)]
    for salinity, minutes in ((31.5, 20.0), (31.5, 40.0), (34.0, 50.0)):
        bench.story.dissolve(salinity, minutes)
        bench.run()
        ages.append(hours(bench))

    assert ["ready", "off_target", "ready"] == [
        each for each in phases(bench.entries) if each in ("ready", "off_target", "stale")
    ]
    assert [20.0, 40.0, 50.0] == pytest.approx(
        [60.0 * (later - sooner) for sooner, later in pairwise(ages)], abs=0.2
    )


def test_use_by_is_the_same_moment_in_every_phase() -> None:
    """Twenty-four hours after the first release, and unknown before it."""
    bench = Bench(Story().still(3))
    bench.run()
    assert "use_by" not in bench.snapshot
    bench.story.dissolve(34.0, 45)
    bench.run()
    (released,) = [
        each for each in of(bench.entries, Kind.PHASE) if facts_in(each)["to"] == "ready"
    ]
    expected = f"{released.at.wall + timedelta(hours=24):%Y-%m-%dT%H:%M}"
    assert expected == str(bench.snapshot["use_by"])[:16]
    bench.story.dissolve(31.5, 50)
    bench.run()

    assert "off_target" == bench.phase
    assert expected == str(bench.snapshot["use_by"])[:16]


def test_old_water_that_is_off_target_is_stale_too() -> None:
    """Both alarms stand, and correcting it alone does not release it."""
    bench = a_batch(settings=SHORT)
    bench.story.dissolve(31.5, 100)
    bench.run()
    assert ("off_target", {"batch-off-target", "batch-stale"}) == (bench.phase, bench.alarms)
    bench.story.dissolve(34.0, 50)
    said = bench.run()

    assert ["dissolving", "verifying", "stale"] == phases(said)
    assert {"batch-stale"} == bench.alarms
    assert ("batch-stale", "cleared") not in alarms(said)


def test_water_grows_stale_while_nothing_at_all_is_heard() -> None:
    """Neither a reading nor a fault comes, and the clock goes on."""
    bench = a_batch(settings=SHORT)
    said = tick(bench, 95.0)

    assert ("phase", "stale") in said
    assert ("batch-stale", "raised") in said
    assert ("batch-stale", "cleared") not in tick(bench, 60.0)


def test_water_grows_stale_while_no_reading_can_be_used() -> None:
    """The driver says that the probe does not answer."""
    bench = a_batch(settings=SHORT)
    bench.story.silence(95)
    said = bench.run()

    assert ["stale"] == phases(said)
    assert "batch-stale" in bench.alarms


def test_water_grows_stale_over_a_restart_into_another_version() -> None:
    """Its probe is never heard again, and its hours pass all the same."""
    bench = a_batch(settings=SHORT)
    state = restore_batches(dump(bench.station.state))
    assert state is not None
    bench.station = Station({"mix-1": ReservoirSettings("mix-1", SHORT)}, weights(), state)
    said = tick(bench, 95.0)

    assert ("phase", "stale") in said
    assert ("batch-stale", "raised") in said


def test_a_second_batch_is_as_young_as_a_first() -> None:
    """What the water before was, its age included, is gone with it."""
    bench = a_batch(settings=SHORT)
    bench.story.still(100)
    bench.run()
    assert "stale" == bench.phase
    bench.story.refilled()
    bench.run()
    bench.answer("batch.answer", answer="refilled")
    bench.story.still(3)
    bench.run()
    assert None is bench.snapshot["age_h"]
    assert "use_by" not in bench.snapshot
    bench.story.dissolve(34.0, 45)
    bench.run()

    assert "ready" == bench.phase
    assert hours(bench) < 0.5
    assert "batch-stale" not in bench.alarms


def test_only_a_person_makes_stale_water_young_again() -> None:
    """Confirmed, it is verified again and as old as that release."""
    bench = a_batch(settings=SHORT)
    bench.story.still(100)
    bench.run()
    bench.answer("batch.confirm")

    assert ("ready", 0.0) == (bench.phase, hours(bench))
    bench.story.still(60)
    assert [] == phases(bench.run())
    bench.story.still(35)
    assert ["stale"] == phases(bench.run())
