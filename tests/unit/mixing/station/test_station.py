"""The station as a whole: from what a probe says to batches, alarms and advice."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import gsw
import pytest

from daemon.entries import JSON, Command, Event, Flag, Instant, Kind, Phase, Reading
from daemon.journal.checkpoint import dump, restore
from daemon.journal.event_codec import facts_of
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station, sample_of
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import (
    BATCH,
    MORNING,
    SALT_SHARE,
    VESSEL,
    Story,
    a_station,
    alarms,
    minutes_between,
    mixed,
    number,
    of,
    phases,
)
from tests.parts.weights import weights

PICTURE = (
    *("time", "phase", "salinity", "salinity_u", "specific_gravity", "conductivity_mS_cm"),
    *("temperature_C", "flag", "batch", "age_h", "stable_at", "advice", "alarms"),
    *("advice_salt_g", "advice_water_l", "probe", "probe_health", "probes_health"),
    "alarm_details",
)
"""What dashboards rely on: the names in a reservoir's picture."""


# --- the life of a batch ------------------------------------------------------------------------


def test_a_good_batch_is_recognised_judged_and_released() -> None:
    """Purified water, salt, steadiness and release are seen without a word from anybody."""
    entries = mixed().play()
    (stabilised,) = of(entries, Kind.STABILISED)

    assert ["blank", "dissolving", "verifying", "ready"] == phases(entries)
    assert number(stabilised, "salinity") == pytest.approx(34.0, abs=0.1)
    assert 0.1 < number(stabilised, "salinity_u") < 0.4
    assert {"mix-1-20260302-1"} == {e.batch for e in entries if isinstance(e, Event)}
    assert [] == alarms(entries)


def test_every_sample_gives_its_reading_first() -> None:
    """One reading for each sample, before the events that it caused."""
    station, story = a_station(), mixed(minutes=10)
    for sample in story.samples:
        entries = station.advance(sample)

        assert isinstance(entries[0], Reading)
        assert sample == sample_of(entries[0])
        assert all(isinstance(each, Event) for each in entries[1:])


def test_a_forecast_comes_while_salt_dissolves_and_never_more_than_one_a_minute() -> None:
    """Whoever waits learns until when, and the journal is not flooded."""
    entries = mixed().play()
    forecasts = of(entries, Kind.FORECAST)
    ready = next(e for e in of(entries, Kind.PHASE) if facts_in(e)["to"] == Phase.READY)

    assert 2 <= len(forecasts) <= 45
    assert min(minutes_between(a, b) for a, b in pairwise(forecasts)) >= 1
    assert max(event.at.wall for event in forecasts) < ready.at.wall


@pytest.mark.parametrize("salinity, asked", [(31.5, "salt mix"), (36.5, "purified water")])
def test_the_dose_for_a_batch_off_target_brings_it_there(salinity: float, asked: str) -> None:
    """Mass balance by the gsw library confirms the grams or litres that are advised."""
    entries = mixed(salinity).play()
    (advice,) = of(entries, Kind.ADVICE)
    solution_g = 180.0 * float(gsw.rho(salinity * SALT_SHARE * 1000.0, 25.0, 0.0))
    salt_g = solution_g * salinity * SALT_SHARE + number(advice, "salt_g") * VESSEL.mix_yield
    total_g = solution_g + number(advice, "salt_g") + 997.05 * number(advice, "water_l")

    assert ["blank", "dissolving", "verifying", "off_target"] == phases(entries)
    assert salt_g / total_g / SALT_SHARE == pytest.approx(34.0, abs=0.1)
    assert asked in str(facts_in(advice)["advice"])
    assert facts_in(advice)["fits"] is True
    assert [("batch-off-target", "raised")] == alarms(entries)


def test_a_batch_put_right_is_released() -> None:
    """Salt added as advised clears the alarm and leads through dissolving to ready."""
    entries = mixed(31.5).dissolve(34.0).play()

    assert ["off_target", "dissolving", "verifying", "ready"] == phases(entries)[3:]
    assert [("batch-off-target", "raised"), ("batch-off-target", "cleared")] == alarms(entries)
    assert 1 == len(of(entries, Kind.DISTURBED))
    assert 1 == len({e.batch for e in entries if isinstance(e, Event)})


def test_a_batch_at_the_edge_stays_undecided_and_says_what_would_decide() -> None:
    """Neither inside nor outside with the confidence asked for: verifying, with advice, once."""
    entries = mixed(33.05, minutes=60).play()
    (advice,) = of(entries, Kind.ADVICE)

    assert ["blank", "dissolving", "verifying"] == phases(entries)
    assert 0.05 < number(advice, "probability") < 0.95
    assert "release needs 0.95" in str(facts_in(advice)["advice"])
    assert [("batch-undecided", "raised")] == alarms(entries)


def test_a_probe_that_cannot_prove_the_limits_never_releases() -> None:
    """With too uncertain a probe the right salinity is not enough."""
    entries = mixed().play(a_station(probe_percent=3.0))

    assert "ready" not in phases(entries)
    assert "cannot prove 33 to 35 ppt" in str(facts_of(of(entries, Kind.ADVICE)[0].body)["advice"])


def test_a_batch_goes_stale_after_its_time_and_not_before() -> None:
    """The hours count from release."""
    settings = replace(BATCH, use_within_h=2.0)
    entries = mixed(minutes=180).play(settings=settings)
    ready, stale = of(entries, Kind.PHASE)[-2:]

    assert ["ready", "stale"] == phases(entries)[-2:]
    assert 120.0 < minutes_between(ready, stale) < 121.0
    assert "use within 2 h" in str(facts_of(of(entries, Kind.ADVICE)[-1].body)["advice"])
    assert ("batch-stale", "raised") == alarms(entries)[-1]
    assert stale.at == of(entries, Kind.ALARM)[-1].at


def test_water_added_after_release_withdraws_it() -> None:
    """A top-up disturbs, and the batch is judged again at its new salinity."""
    entries = mixed().ramp(2, 32.4).still(45).play()

    assert ["ready", "dissolving", "verifying", "off_target"] == phases(entries)[3:]
    assert 1 == len(of(entries, Kind.DISTURBED))
    assert [34.0, 32.4] == [
        round(number(event, "salinity"), 1) for event in of(entries, Kind.STABILISED)
    ]


@pytest.mark.parametrize("salinity, minutes, how", [(34.0, 45, "used"), (34.0, 6, "discarded")])
def test_a_refill_ends_the_batch(salinity: float, minutes: float, how: str) -> None:
    """Once salt follows in its place: used if it was ever released, else discarded."""
    entries = mixed(salinity, minutes).refilled().dissolve(34.0, 4).play()
    batches = of(entries, Kind.BATCH)
    began, suspended, ended, again = batches

    assert ["began", "suspended", "ended", "began"] == [facts_in(e)["what"] for e in batches]
    assert how == facts_in(ended)["how"]
    assert "mix-1-20260302-1" == began.batch == suspended.batch == ended.batch
    assert "mix-1-20260302-2" == again.batch
    assert "dissolving" == phases(entries)[-1]


def test_every_event_belongs_to_the_batch_of_its_moment() -> None:
    """Until a batch has ended its events carry its id, and none after."""
    entries = mixed().refilled().dissolve(34.0, 4).play()
    events = [each for each in entries if isinstance(each, Event)]
    ended = next(n for n, e in enumerate(events) if facts_in(e).get("what") == "ended")

    assert {"mix-1-20260302-1"} == {event.batch for event in events[: ended + 1]}
    assert {"mix-1-20260302-2"} == {event.batch for event in events[ended + 1 :]}


def test_a_refill_onto_a_heel_is_a_new_batch() -> None:
    """A fall to a seventh is purified water on what was left; the salt that follows is seen."""
    entries = mixed().ramp(7, 5.0).still(8).dissolve(34.0).play()

    assert ["ready", "blank", "dissolving", "verifying", "ready"] == [
        phase for phase in phases(entries)[3:] if phase != "dissolving"
    ][:2] + phases(entries)[-3:]
    assert ["mix-1-20260302-1", "mix-1-20260302-2"] == sorted(
        {e.batch for e in entries if isinstance(e, Event)}
    )


def test_a_station_that_starts_beside_an_old_heel_sees_the_new_batch() -> None:
    """Nothing is known of water that only stands there; the refill begins a batch."""
    entries = Story(salinity=34.0).still(5).ramp(7, 5.0).still(8).dissolve(34.0).play()

    assert ["blank", "dissolving", "verifying", "ready"] == phases(entries)


def test_salt_poured_before_anything_was_known_begins_a_batch() -> None:
    """A station started in the middle of things goes by what changes."""
    entries = Story(salinity=20.0).still(3).dissolve(34.0).play()

    assert ["dissolving", "verifying", "ready"] == phases(entries)
    assert "idle" == facts_of(of(entries, Kind.PHASE)[0].body)["from"]


def test_standing_water_is_no_batch() -> None:
    """Water of any salinity that nobody changes stays unknown."""
    entries = Story(salinity=34.0).still(120).play()

    assert [] == [each for each in entries if isinstance(each, Event)]


def test_purified_water_alone_stays_blank() -> None:
    """Hours of nothing are no salt, no fault and no alarm."""
    entries = Story().still(240).play()

    assert ["blank"] == phases(entries)
    assert [] == alarms(entries)


# --- names --------------------------------------------------------------------------------------


def several(days: list[int]) -> list[str]:
    """Ids of short batches begun on these days of March, one after the other."""
    station, story, ids = a_station(), Story(period_s=10.0), []
    for day in days:
        story.wall = MORNING.replace(day=day)
        entries = story.still(5).ramp(5, 20.0).still(9).refilled().play(station)
        at = Instant(story.wall, story.t_s, story.boot)
        facts: dict[str, JSON] = {"answer": "refilled"}
        entries += station.advance(
            Command("c-1", at, "keeper", "cli", "batch.answer", "mix-1", facts)
        )
        ids += [e.batch for e in of(entries, Kind.BATCH) if facts_in(e)["what"] == "began"]
    return ids


def test_ids_count_up_and_start_over_each_day() -> None:
    """The id says the reservoir, the day in UTC and which one of the day."""
    assert [
        "mix-1-20260302-1",
        "mix-1-20260302-2",
        "mix-1-20260302-3",
        "mix-1-20260303-1",
        "mix-1-20260303-2",
    ] == several([2, 2, 3, 3])


def test_an_id_is_never_given_twice_though_the_clock_is_set_back() -> None:
    """A Pi that learns the true date after a wrong one repeats no name."""
    ids = several([9, 2, 9, 2])

    assert len(ids) == len(set(ids)) == 5


# --- restarts and clocks ------------------------------------------------------------------------


def after_restart(station: Station, settings: BatchSettings = BATCH) -> Station:
    """The station as it goes on from its kept state."""
    state = restore(dump(station.state))
    assert state is not None
    return Station({"mix-1": ReservoirSettings("mix-1", settings)}, weights(), state)


def test_age_survives_a_reboot() -> None:
    """Ten hours off count as ten hours, and the batch is stale at its time."""
    station, story = a_station(), mixed()
    released = of(story.play(station), Kind.PHASE)[-1]
    station = after_restart(station)
    story.away(10.0, boot="boot-2").still(2).play(station)
    off_h = (story.wall - released.at.wall).total_seconds() / 3600.0

    assert off_h > 10.0
    assert snapshot_in(station, "mix-1", Instant(story.wall, story.t_s, story.boot))[
        "age_h"
    ] == pytest.approx(off_h, abs=0.01)
    entries = story.away(14.0).still(2).play(station)
    assert ["stale"] == phases(entries)


@pytest.mark.parametrize("days", [-400, 400])
def test_a_jump_of_the_clock_ages_nothing(days: int) -> None:
    """More than a year either way within one boot: the batch stays ready, its age right."""
    station, story = a_station(), mixed()
    story.play(station)
    story.wall += timedelta(days=days)
    entries = story.still(20).play(station)

    assert [] == phases(entries)
    age_h = snapshot_in(station, "mix-1", Instant(story.wall, story.t_s, story.boot))["age_h"]
    assert isinstance(age_h, float)
    assert 0.3 < age_h < 1.1


# --- what does not drive ------------------------------------------------------------------------


def test_a_batch_is_followed_by_whichever_probe_measures_it() -> None:
    """The first may never have said a word: the second one tells of the water, and is believed."""
    probes = {"ct-1": ProbeUncertainty(), "ct-2": ProbeUncertainty()}
    station = Station({"mix-1": ReservoirSettings("mix-1", BATCH, probes=probes)}, weights())
    entries = [
        entry
        for sample in mixed(minutes=20).samples
        for entry in station.advance(replace(sample, probe="ct-2"))
    ]

    assert ["blank", "dissolving"] == phases(entries)[:2]


def test_a_command_that_nobody_knows_changes_nothing() -> None:
    """Whatever is answered, the batch and the picture stand as before."""
    station, story = a_station(), mixed()
    story.play(station)
    picture = snapshot_in(station, "mix-1", Instant(MORNING, 0.0))
    last = Instant(story.wall - timedelta(seconds=5), story.t_s - 5.0, "boot-1")
    entries = station.advance(Command("c-1", last, "keeper", "cli", "batch.no-such-verb", "mix-1"))

    assert [] == of(entries, Kind.PHASE) + of(entries, Kind.BATCH)
    assert picture == snapshot_in(station, "mix-1", Instant(MORNING, 0.0))


def test_what_is_not_configured_is_refused() -> None:
    """A sample of an unknown reservoir or probe is a fault of the program."""
    sample = mixed(minutes=1).samples[0]

    with pytest.raises(KeyError):
        a_station().advance(replace(sample, reservoir="mix-9"))
    with pytest.raises(KeyError):
        a_station().advance(replace(sample, probe="ct-9"))


def test_the_snapshot_has_every_name_that_is_relied_on() -> None:
    """Before the first reading too, and then with the values of the last."""
    station, story = a_station(), mixed()
    empty = snapshot_in(station, "mix-1", Instant(MORNING, 0.0))
    story.play(station)
    full = snapshot_in(station, "mix-1", Instant(MORNING, 0.0))

    assert sorted(PICTURE) == sorted(empty)
    assert sorted([*PICTURE, "use_by", "volume_left_l"]) == sorted(full)
    assert ("idle", None, int(Flag.MISSING)) == (empty["phase"], empty["salinity"], empty["flag"])
    assert ("ready", "2026-03-02T08:00:00.000Z") == (full["phase"], full["time"])
    assert full["specific_gravity"] == pytest.approx(1.0256, abs=2e-4)
