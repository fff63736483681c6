"""Calibrating with the station: readings corrected and attributed, batches that wait."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.record import CalibrationRecord, CheckRecord, Reversion
from daemon.entries import Event, Flag, Kind
from daemon.mixing.probe.quality import CALIBRATING
from daemon.mixing.probe_events import RoutineSpoke
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import Station
from tests.parts.calibrating import (
    SOLUTION,
    SOLUTION_MS_CM,
    Corner,
    later,
    of_the_batch,
    readings,
    records,
    steps,
)
from tests.parts.events import facts_in
from tests.parts.stories import of, phases
from tests.parts.weights import weights


def test_after_a_calibration_readings_are_corrected_and_attributed() -> None:
    """A cell off by 3 % is off by a whole ppt before, and within its uncertainty after."""
    corner = Corner()
    before = readings(corner.in_water())[-1]
    record = corner.calibrate()
    after = readings(corner.in_water())[-1]

    assert before.salinity is not None
    assert after.salinity is not None
    assert after.salinity_u is not None
    assert -1.1 > before.salinity - 34.0 > -1.2
    assert abs(after.salinity - 34.0) < 2 * after.salinity_u
    assert ("", "mix-1-ct-1-20260302-1") == (before.calibration, after.calibration)
    assert record.id == after.calibration
    assert before.conductivity_mS_cm == pytest.approx(after.conductivity_mS_cm, rel=1e-3)


def test_the_uncertainty_of_a_reading_is_that_of_its_calibration() -> None:
    """What the library says of the record, not what the configuration assumed."""
    corner = Corner(probes={"ct-1": ProbeUncertainty(5.0, 1.0)})
    assumed = readings(corner.in_water())[-1].salinity_u
    record = corner.calibrate()
    reading = readings(corner.in_water())[-1]
    assert isinstance(record, CalibrationRecord)
    assert reading.conductivity_mS_cm is not None
    assert reading.temperature_C is not None
    expected = record.calibration.salinity_u(reading.conductivity_mS_cm, reading.temperature_C)

    assert assumed is not None
    assert assumed > 1.0
    # The reading adds its own resolution and scatter, and the day its drift: little beside these.
    assert reading.salinity_u is not None
    assert reading.salinity_u == pytest.approx(expected, rel=0.03)
    assert reading.salinity_u >= expected


def test_uncertainty_grows_with_the_age_of_a_calibration() -> None:
    """Two months later the same water is known less well."""
    corner = Corner()
    corner.calibrate()
    young = readings(corner.in_water(1))[-1].salinity_u
    later(corner, 60)
    old = readings(corner.in_water(1))[-1].salinity_u

    assert young is not None
    assert old is not None
    assert old > 1.5 * young


def test_each_step_is_reported_with_its_sentence_and_who_did_what() -> None:
    """Whoever looks on sees what is to be done, and the record says who did it."""
    corner = Corner()
    record = corner.calibrate()
    assert isinstance(record, CalibrationRecord)

    told = steps(corner.entries)
    assert "ready" == told[0]  # the cautions
    assert ["rinse", "immerse", "stir", "settle", "captured", "verdict", "return"] == list(
        dict.fromkeys(told)
    )[1:]
    assert any(
        "acid" in str(facts_in(each).get("text")) for each in of(corner.entries, Kind.CALIBRATION)
    )
    assert "night shift" == record.calibration.by
    assert record.made_at.startswith("2026-03-02T08:")


def test_what_a_probe_reads_in_a_solution_never_enters_a_batch() -> None:
    """A released batch stays as it is while its probe is in air, in bottles and back."""
    corner = Corner(gain=1.0)
    corner.batch()
    assert "ready" == corner.snapshot["phase"]
    known = len(corner.station.state.reservoirs["mix-1"].level.medians)
    corner.begin("calibrate.check", f"air; {SOLUTION}")
    out = corner.feed(0.0, 12)
    corner.answer("calibrate.next")
    corner.immersed()
    out += corner.feed(12.9, 20)
    corner.answer("calibrate.abort")
    out += corner.feed(80.0, 5)
    corner.answer("calibrate.confirm")
    back = corner.in_water(30)

    assert [] == of_the_batch(out)
    assert {Flag.SUSPECT} == {each.tests[CALIBRATING] for each in readings(out)}
    assert all(each.flag >= Flag.SUSPECT for each in readings(out))
    assert known == 30
    assert all(
        abs(each - 34.0) < 0.1 for each in corner.station.state.reservoirs["mix-1"].level.medians
    )
    assert [] == phases(back)
    assert [] == of(back, Kind.DISTURBED)
    assert not any(CALIBRATING in each.tests for each in readings(back))
    assert {Flag.PASS} == {each.flag for each in readings(back)[10:]}


def test_a_batch_that_dissolves_waits_for_its_probe() -> None:
    """Not even a calm bottle makes mixing steady."""
    corner = Corner(gain=1.0, salinity=0.0)
    corner.in_water(3)
    corner.dissolve(34.0, 2)
    assert "dissolving" == corner.snapshot["phase"]
    corner.begin("calibrate.check")
    out = corner.feed(SOLUTION_MS_CM, 40)
    corner.answer("calibrate.abort")
    corner.answer("calibrate.confirm")
    back = corner.in_water(40)

    assert [] == of_the_batch(out)
    assert ["verifying", "ready"] == phases(back)


def test_no_alarm_of_the_probe_is_raised_while_it_is_out() -> None:
    """Air, bottles and a pulled cable are what calibrating is; afterwards they are faults."""
    corner = Corner()
    corner.in_water()
    corner.begin()
    corner.feed(None, 12)
    corner.feed(0.0, 12)
    corner.feed(None, 12)

    assert set() == corner.alarms
    assert ["function check"] == [facts_in(e)["health"] for e in of(corner.entries, Kind.DEVICE)]
    assert ("function check", None) == (
        corner.snapshot["probe_health"],
        corner.snapshot["salinity"],
    )

    corner.answer("calibrate.abort")
    corner.answer("calibrate.confirm")
    corner.feed(None, 6)
    assert {"probe-fault"} == corner.alarms
    assert "failure" == corner.snapshot["probe_health"]


def test_a_probe_that_is_taken_out_and_forgotten_is_an_alarm() -> None:
    """Nothing is reported while a person is at it; an hour later it is."""
    corner = Corner()
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 50)
    assert set() == corner.alarms
    corner.answer("calibrate.next")
    corner.feed(SOLUTION_MS_CM, 59)
    assert set() == corner.alarms
    corner.feed(SOLUTION_MS_CM, 3)
    assert {"probe-out-for-calibration"} == corner.alarms
    corner.answer("calibrate.abort")
    corner.answer("calibrate.confirm")
    corner.in_water(1)
    assert set() == corner.alarms


@pytest.mark.parametrize("minutes", [0, 1, 5])
def test_an_abort_leaves_the_old_calibration_in_force(minutes: int) -> None:
    """At the first step, in the middle of a capture, and after it."""
    corner = Corner()
    first = corner.calibrate()
    corner.gain = 0.99
    corner.begin()
    corner.feed(SOLUTION_MS_CM, minutes)

    assert "Aborted" not in corner.answer("calibrate.abort", step="rinse")  # not at that step
    assert "Put the probe back" in corner.answer("calibrate.abort")
    corner.answer("calibrate.confirm", step="return")
    assert first.id == readings(corner.in_water(1))[-1].calibration
    assert [first] == records(corner.entries)


def test_a_refused_calibration_is_kept_and_not_used() -> None:
    """A cell 20 % off its nominal value is no cell: raw values stand, and an alarm says so."""
    corner = Corner(gain=0.8)
    record = corner.calibrate()
    reading = readings(corner.in_water(1))[-1]

    assert isinstance(record, CalibrationRecord)
    assert not record.usable
    assert "" == reading.calibration
    assert {"calibration-refused"} == corner.alarms

    corner.gain = 0.97  # cleaned
    corner.calibrate()
    corner.in_water(1)
    assert set() == corner.alarms


def test_a_check_adjusts_nothing_and_says_when_a_calibration_is_due() -> None:
    """A probe that has moved by 3 % since is found out; the calibration in force stays."""
    corner = Corner()
    first = corner.calibrate()
    good = corner.calibrate("calibrate.check")
    corner.in_water(1)
    assert isinstance(good, CheckRecord)
    assert (True, first.id, set()) == (good.agrees, good.calibration_id, corner.alarms)

    corner.gain = 0.94
    bad = corner.calibrate("calibrate.check")
    reading = readings(corner.in_water(1))[-1]
    assert isinstance(bad, CheckRecord)
    assert (False, {"calibration-due"}) == (bad.agrees, corner.alarms)
    assert first.id == reading.calibration

    corner.calibrate(repair="cleaned")
    corner.in_water(1)
    assert set() == corner.alarms


@pytest.mark.parametrize("gain, agrees", [(0.997, True), (0.97, False)])
def test_a_check_before_any_calibration_is_judged_by_what_was_configured(
    gain: float, *, agrees: bool
) -> None:
    """Half a percent was claimed: 0.3 % off agrees with that, and 3 % does not."""
    corner = Corner(gain=gain)
    record = corner.calibrate("calibrate.check")
    corner.in_water(1)

    assert isinstance(record, CheckRecord)
    assert ("none", agrees) == (record.calibration_id, record.agrees)
    assert corner.alarms == (set() if agrees else {"calibration-due"})


def test_an_old_calibration_can_be_brought_back() -> None:
    """By its id and with a reason; nothing is overwritten, and readings carry it again."""
    corner = Corner()
    first = corner.calibrate()
    corner.gain = 0.99
    second = corner.calibrate(repair="cleaned")
    said = corner.send("calibrate.revert", to=first.id, reason="the second bottle was old")
    (back,) = records(said)

    assert isinstance(back, Reversion)
    assert ("night shift", "the second bottle was old") == (back.by, back.reason)
    assert first.id == readings(corner.in_water(1))[-1].calibration
    assert [first, second, back] == records(corner.entries)


@pytest.mark.parametrize(
    "to, said",
    [
        ("", "- to is wanted"),
        ("mix-1-ct-1-20260302-9", "- probe mix-1/ct-1 has no accepted calibration"),
        ("mix-1-ct-1-20260302-1", "- calibration mix-1-ct-1-20260302-1 is in force already"),
    ],
)
def test_what_cannot_be_brought_back_is_refused(to: str, said: str) -> None:
    """With what there is instead, and nothing is written."""
    corner = Corner()
    first = corner.calibrate()

    assert corner.answer("calibrate.revert", to=to).startswith(said)
    assert [first] == records(corner.entries)


def test_a_calibration_becomes_due() -> None:
    """After ninety days where nothing else is configured, and not on the last of them."""
    corner = Corner()
    corner.calibrate()
    later(corner, 90)
    corner.in_water(1)
    assert set() == corner.alarms
    later(corner, 1)
    said = corner.in_water(1)

    assert {"calibration-due"} == corner.alarms
    (alarm,) = [
        each for each in of(said, Kind.ALARM) if facts_in(each)["name"] == "calibration-due"
    ]
    assert "was due on 2026-05-31" in str(facts_in(alarm)["why"])


def test_a_probe_never_calibrated_is_worth_what_its_configuration_says() -> None:
    """Nothing nags who has stated an uncertainty and never calibrated."""
    corner = Corner()
    corner.in_water(1)

    assert set() == corner.alarms


def test_a_batch_is_judged_again_under_another_calibration() -> None:
    """What was released at a seeming 34 is off target once the probe is known to be off."""
    corner = Corner(gain=0.97, salinity=35.35)
    corner.batch()
    assert "ready" == corner.snapshot["phase"]
    corner.calibrate()
    corner.in_water(40)

    disturbed = of(corner.entries, Kind.DISTURBED)
    assert ["calibration"] == [facts_in(each)["cause"] for each in disturbed]
    assert ["dissolving", "verifying", "off_target"] == phases(corner.entries)[-3:]


def test_another_calibration_does_not_make_a_batch_young() -> None:
    """Its age counts from its first release, and nothing is learned of mixing a second time."""
    corner = Corner(gain=0.985)
    corner.batch()
    learned = [*corner.station.state.reservoirs["mix-1"].times.minutes]
    corner.in_water(120)
    before = corner.snapshot["age_h"]
    corner.calibrate()
    corner.in_water(40)
    after = corner.snapshot["age_h"]

    assert "ready" == corner.snapshot["phase"]
    assert isinstance(before, float)
    assert isinstance(after, float)
    assert before + 0.7 < after < before + 0.9
    assert learned == corner.station.state.reservoirs["mix-1"].times.minutes


def test_a_second_probe_is_calibrated_beside_a_batch_that_goes_on() -> None:
    """Only the probe that decides makes a batch wait, and each has its own calibration."""
    corner = Corner(gain=1.0, probes={"ct-1": ProbeUncertainty(), "ct-2": ProbeUncertainty()})
    corner.batch()
    corner.probe, corner.gain = "ct-2", 0.97
    corner.calibrate()
    second = readings(corner.in_water(1))[-1]
    corner.probe, corner.gain = "ct-1", 1.0
    first = readings(corner.in_water(5))[-1]

    assert ("", "mix-1-ct-2-20260302-1") == (first.calibration, second.calibration)
    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)


def test_a_verdict_and_what_is_saved_say_how_it_came_out() -> None:
    """Both by the same word, which is that of the record."""
    corner = Corner()
    corner.in_water(1)
    corner.calibrate()
    told = [facts_in(each) for each in of(corner.entries, Kind.CALIBRATION)]

    assert ["accept_with_warning", "accept_with_warning"] == [
        facts["outcome"] for facts in told if facts["what"] in ("judged", "saved")
    ]


def test_a_thermometer_that_stands_on_its_own_is_named_when_a_calibration_begins() -> None:
    """Left in the vessel it would give the solution the temperature of the water."""
    corner = Corner()
    own = replace(corner.settings["mix-1"], thermometers={"ct-1": "thermo-1"})
    corner.station = Station({"mix-1": own}, weights())
    corner.in_water(1)
    spoken = [
        str(facts_in(each)["text"])
        for each in corner.send("calibrate.start", probe="ct-1", references=SOLUTION)
        if isinstance(each, Event) and isinstance(each.body, RoutineSpoke)
    ]

    assert spoken[0].startswith("The temperature comes from input thermo-1: keep that thermometer")
    assert spoken[0].endswith("unplug first what runs on mains in that water.")
    assert not any("thermo-1" in each for each in spoken[1:])
