"""Alarms of the water itself: its temperature, its drift, and probes that disagree about it."""

from __future__ import annotations

from dataclasses import replace

from daemon.entries import (
    Entry,
    Kind,
    Phase,
)
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, warmer
from tests.parts.stories import BATCH, Story, alarms, of, phases
from tests.parts.weights import weights

BANDED = replace(BATCH, temperature_range_C=(23.0, 27.0))


def test_water_that_waits_out_of_its_band_is_reported_with_a_deadband() -> None:
    """After five minutes, and over only once it is 0.3 °C inside."""
    bench = a_batch(settings=BANDED)
    assert Phase.READY == bench.phase
    bench.story.still(4)
    bench.run(22.8)
    assert set() == bench.alarms
    bench.story.still(3)
    bench.run(22.8)
    assert {"temperature-out-of-band"} == bench.alarms
    bench.story.still(10)
    bench.run(23.15)
    assert {"temperature-out-of-band"} == bench.alarms
    bench.story.still(3)
    bench.run(23.5)
    assert set() == bench.alarms


def test_water_that_is_still_mixed_may_have_any_temperature() -> None:
    """It will be warmed; the alarm is of what waits to be used."""
    story = Story().still(3).dissolve(34.0, 12)
    story.samples = [warmer(each, 20.0) for each in story.samples]
    bench = Bench(story, Station({"mix-1": ReservoirSettings("mix-1", BANDED)}, weights()))
    bench.run()

    assert (Phase.DISSOLVING, set()) == (bench.phase, bench.alarms)


def test_a_band_that_nobody_set_is_none() -> None:
    """Without `temperature_range_C` the water may be as it is."""
    bench = a_batch()
    bench.story.still(20)
    bench.run(15.0)

    assert "temperature-out-of-band" not in bench.alarms


def test_released_water_that_creeps_away_is_reported_before_it_is_outside() -> None:
    """With the lid off: a tenth of a ppt an hour, well within limits when it is told."""
    story = Story(period_s=10.0).still(6).dissolve(34.0, 80)
    bench = Bench(story)
    bench.run()
    assert Phase.READY == bench.phase
    bench.story.ramp(5 * 60.0, 34.5)
    said = bench.run()

    (raised,) = [e for e in of(said, Kind.ALARM) if facts_in(e)["what"] == "raised"]
    assert ("salinity-drifting", "high") == (
        facts_in(raised)["name"],
        facts_in(raised)["priority"],
    )
    assert str(facts_in(raised)["why"]).startswith("released as 34.0")
    hours = (raised.at.wall - story.wall).total_seconds() / 3600.0 + 5.0
    assert 2.0 < hours < 4.5  # 0.2 ppt is reported once the detector calls it a drift, 0.3 always


def test_water_that_stands_for_a_day_is_not_reported_as_drift() -> None:
    """Noise and the usual evaporation under a lid are nothing."""
    settings = replace(BATCH, use_within_h=48.0)
    story = Story(period_s=30.0).still(10).dissolve(34.0, 90)
    story.ramp(20 * 60.0, 34.06)

    assert [] == alarms(story.play(settings=settings))


def evaporated() -> Bench:
    """A batch that was released and has slowly become 35.6 since, at 0.4 ppt an hour."""
    story = Story(period_s=10.0).still(6).dissolve(34.0, 80)
    bench = Bench(story)
    bench.run()
    bench.story.ramp(4 * 60.0, 35.6)
    bench.run()
    return bench


def test_water_that_drifts_beyond_a_limit_is_refused_once_it_reads_so_with_proof() -> None:
    """First its release is taken back, then it is off target; nothing is mixed meanwhile."""
    bench = evaporated()

    assert ["verifying", "off_target"] == phases(bench.entries)[-2:]
    assert 1 == phases(bench.entries).count("dissolving")
    assert {"salinity-drifting", "batch-off-target"} == bench.alarms
    ended = [each for each in alarms(bench.entries) if each[1] == "cleared"]
    assert [("batch-undecided", "cleared")] == ended


def test_a_probe_that_fouls_loses_the_release_soon_after_it_reads_below_the_limit() -> None:
    """At 0.3 ppt an hour it reads 33.0 after 3 h 20 min, and is released for 15 min more."""
    bench = Bench(Story(period_s=10.0).still(6).dissolve(34.0, 80))
    bench.run()
    assert Phase.READY == bench.phase
    began = bench.story.wall
    bench.story.ramp(5 * 60.0, 32.5)
    said = bench.run()
    (left,) = [each for each in of(said, Kind.PHASE) if facts_in(each)["from"] == "ready"]
    hours = (left.at.wall - began).total_seconds() / 3600.0

    assert ["verifying", "off_target"] == phases(said)
    assert 10.0 / 3.0 < hours < 10.0 / 3.0 + 0.25


def test_the_alarm_stands_while_the_water_is_outside_and_goes_when_it_reads_inside() -> None:
    """Half an hour at rest ends nothing; a slow top-up from 35.6 to 34.1 does."""
    bench = evaporated()
    bench.story.still(90)
    assert [] == phases(bench.run())
    assert "batch-off-target" in bench.alarms
    bench.story.ramp(5 * 60.0, 34.1).still(90)
    said = bench.run()

    assert ["verifying", "ready"] == phases(said)
    assert {"batch-off-target", "batch-undecided", "salinity-drifting"} == {
        name for name, what in alarms(said) if what == "cleared"
    }
    assert set() == bench.alarms


def test_an_alarm_of_steady_water_says_that_water_was_added_when_it_ends_so() -> None:
    """It is not that the condition is gone: the batch is judged again."""
    bench = evaporated()
    bench.story.dissolve(34.0, 60)
    said = bench.run()
    endings = {
        str(facts_in(each)["name"]): facts_in(each)["why"]
        for each in of(said, Kind.ALARM)
        if facts_in(each)["what"] == "cleared"
    }

    assert ["dissolving", "verifying", "ready"] == phases(said)
    added = "water was added: the batch is judged again once it is steady"
    assert {"batch-off-target": added, "salinity-drifting": added} == endings


def test_a_second_drift_is_reported_like_the_first() -> None:
    """Both episodes raise and end the same alarms, in the same order."""
    bench = evaporated()
    first = [*alarms(bench.entries)]
    bench.story.dissolve(34.0, 80)
    bench.run()
    bench.story.ramp(4 * 60.0, 35.6)
    said = bench.run()

    assert first == alarms(said)
    assert {"salinity-drifting", "batch-off-target"} == bench.alarms


def test_water_added_to_water_that_drifts_is_mixed_again() -> None:
    """Seen also in the half hour before the drift is known to have ended."""
    bench = Bench(Story(period_s=10.0).still(6).dissolve(34.0, 80).ramp(120.0, 34.6))
    said = bench.run()
    assert "drift" in [facts_in(each)["cause"] for each in of(said, Kind.DISTURBED)]
    bench.story.dissolve(33.6, 60)
    said = bench.run()

    assert ["dissolving", "verifying", "ready"] == phases(said)
    assert "water" in [facts_in(each)["cause"] for each in of(said, Kind.DISTURBED)]


class Pair:
    """Two probes in one vessel of steady salt water."""

    def __init__(self, settings: BatchSettings = BATCH) -> None:
        """Build the station and let both be heard."""
        worth = ProbeUncertainty(0.2, 0.05)
        self.station = Station(
            {"mix-1": ReservoirSettings("mix-1", settings, probes={"ct-1": worth, "ct-2": worth})},
            weights(),
        )
        self.story = Story().still(3).dissolve(34.0, 45)
        self.entries: list[Entry] = []

    def run(self, factor: float) -> Pair:
        """Feed the story; the second probe reads so many times what the first does."""
        samples, self.story.samples = self.story.samples, []
        for each in samples:
            self.entries += self.station.advance(each)
            value = None if each.conductivity_mS_cm is None else each.conductivity_mS_cm * factor
            other = replace(each, probe="ct-2", conductivity_mS_cm=value)
            self.entries += self.station.advance(other)
        return self


def test_two_probes_that_differ_by_more_than_both_can_be_off_are_reported() -> None:
    """Two per cent apart where each is worth 0.2; and over when they agree again."""
    pair = Pair().run(1.0)
    pair.story.still(10)
    pair.run(1.02)
    (raised,) = of(pair.entries, Kind.ALARM)

    assert ("probe-disagrees", "raised") == alarms(pair.entries)[-1]
    assert "ct-1 reads 34.0" in str(facts_in(raised)["why"])
    assert "and ct-2 34.7" in str(facts_in(raised)["why"])
    pair.story.still(10)
    pair.run(1.001)
    assert ("probe-disagrees", "cleared") == alarms(pair.entries)[-1]


def test_two_probes_that_differ_while_salt_goes_into_solution_are_no_alarm() -> None:
    """At two depths the water is not the same then; design suppresses it."""
    pair = Pair()
    pair.story = Story().still(3).dissolve(34.0, 12)
    pair.run(1.05)

    assert {("probe-disagrees", "suppressed")} == {
        each for each in alarms(pair.entries) if each[0] == "probe-disagrees"
    }
