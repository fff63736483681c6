"""What people may ask: what is done, what is refused with a sentence, and what it leaves behind."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import JSON, Event, Kind
from daemon.journal.event_codec import facts_of
from daemon.mixing.seawater.dosing import plan
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, a_bench, without_time
from tests.parts.stories import BATCH, Story, of, phases

FULL_G = plan(180.0, 34.0, 0.881).salt_g


def stocked(**facts: JSON) -> Bench:
    """A bench beside purified water, with a lot called blue of 20 kg."""
    bench = a_bench()
    bench.run()
    bench.answer("lot.add", "", **{"name": "blue", "bought_g": 20000, **facts})
    return bench


def left_g(bench: Bench) -> float | None:
    """What the books have left of the lot called blue."""
    return bench.station.state.lots["blue"].left_g


# --- every command ------------------------------------------------------------------------------


def test_a_command_is_on_record_with_who_and_how() -> None:
    """Done or refused, there is one event with all that was asked and what was answered."""
    bench = a_batch()
    (told,) = of(bench.send("batch.note", text="bag was damp"), Kind.COMMAND)

    assert {
        "id": "c-1",
        "verb": "batch.note",
        "who": "keeper",
        "via": "cli",
        "ok": True,
        "answer": "noted",
        "text": "bag was damp",
    } == facts_in(told)
    assert "mix-1-20260302-1" == told.batch
    assert 1 == bench.station.state.commands_taken


def test_facts_cannot_pass_for_what_the_station_says() -> None:
    """An argument called like a part of the record is overruled by it, and refused."""
    (told,) = of(a_batch().send("batch.note", ok=True, who="the queen", id="7"), Kind.COMMAND)

    assert (False, "keeper", "c-1") == (
        facts_in(told)["ok"],
        facts_in(told)["who"],
        facts_in(told)["id"],
    )


def test_an_unknown_reservoir_is_answered_and_not_made() -> None:
    """The answer is the station's; nothing keeps the name."""
    bench = a_batch()
    before = without_time(bench.station.state)
    (told,) = bench.send("batch.discard", "mix-9")

    assert isinstance(told, Event)
    assert "" == told.reservoir
    assert "there is no reservoir 'mix-9'; there are mix-1" == facts_in(told)["answer"]
    assert before == without_time(bench.station.state)
    assert 1 == bench.station.state.commands_taken


REFUSED: list[tuple[str, dict[str, JSON], str]] = [
    ("batch.sing", {}, "there is no command 'batch.sing'; known are batch.start"),
    ("batch.use", {"volume_l": -5}, "volume_l = -5 is outside 0 to 100000"),
    ("batch.use", {"volume_l": 0}, "0 L is nothing to use"),
    ("batch.use", {"volume_l": 500}, "500 L cannot be used: about 180 L of mix-1-20260302-1"),
    ("batch.use", {"volume_l": "all"}, "volume_l = 'all' is not a number"),
    ("batch.use", {"volume_l": True}, "volume_l = True is not a number"),
    ("batch.use", {"volume_l": 10**400}, "is outside 0 to 100000"),
    ("batch.use", {"volume_l": float("nan")}, "volume_l = nan is not a number"),
    ("batch.use", {"batch": "mix-1-20200101-1"}, "there is no batch 'mix-1-20200101-1' in mix-1"),
    ("batch.use", {"litres": 5}, "batch.use takes no 'litres'; it takes batch, volume_l"),
    ("batch.confirm", {}, "there is nothing to confirm: batch mix-1-20260302-1 is ready"),
    ("batch.start", {"mass_g": 7000}, "batch mix-1-20260302-1 is ready already; end it"),
    ("batch.reading", {}, "one of salinity, specific_gravity and refractive_index is wanted"),
    ("batch.reading", {"salinity": 34, "specific_gravity": 1.02}, "one of salinity"),
    ("batch.reading", {"salinity": 3500}, "salinity = 3500 is outside 0 to 42"),
    ("batch.reading", {"specific_gravity": 1.025}, "needs hydrometer, the pair of temperatures"),
    ("batch.reading", {"specific_gravity": 1.025, "hydrometer": "25/25"}, "and temperature_C"),
    ("batch.reading", {"specific_gravity": 1.025, "temperature_C": 25}, "by up to 3.8 ppt"),
    ("batch.reading", {"salinity": 34, "hydrometer": "25/25"}, "goes with specific_gravity"),
    (
        "batch.reading",
        {"specific_gravity": 1.09, "hydrometer": "25/25", "temperature_C": 24},
        "is not that of seawater",
    ),
    (
        "batch.reading",
        {"specific_gravity": 1.025, "hydrometer": "60/60", "temperature_C": 24},
        "write it as 60/60F",
    ),
    ("batch.reading", {"specific_gravity": 1.025, "hydrometer": 25}, "hydrometer must be a text"),
    ("batch.reading", {"salinity": 34, "u_ppt": 0}, "u_ppt = 0 is outside"),
    ("batch.note", {}, "a note needs a text"),
    ("batch.note", {"text": "x" * 501}, "text must be a text of at most 500 characters"),
    ("batch.discard", {"why": 7}, "why must be a text"),
    ("lot.add", {}, "a lot needs a name of your choosing"),
    ("lot.add", {"name": "b", "label_yield": 2}, "label_yield = 2 is outside 0.5 to 1"),
    ("lot.add", {"name": "b", "opened_on": "May"}, "'May' is not a date such as 2026-03-02"),
    ("lot.add", {"name": "b", "bought_g": 5, "left_g": 9}, "cannot have 9 g left of 5 g bought"),
    ("lot.adjust", {"name": "green", "left_g": 1}, "there is no lot 'green'; known are none"),
]


@pytest.mark.parametrize("verb, facts, part", REFUSED)
def test_what_cannot_be_is_refused_and_changes_nothing(
    verb: str, facts: dict[str, JSON], part: str
) -> None:
    """One sentence, and the kept state is the same but for the command's number."""
    bench = a_batch()
    before = without_time(bench.station.state)
    answer = bench.answer(verb, "mix-1", **facts)

    assert answer.startswith("- ")
    assert part in answer
    assert before == without_time(bench.station.state)
    assert 1 == bench.station.state.commands_taken


@pytest.mark.parametrize("verb", ["use", "discard", "confirm", "reading", "note"])
def test_with_no_batch_there_is_nothing_to_act_on(verb: str) -> None:
    """Each is refused, and no batch without a name ends."""
    facts: dict[str, JSON] = {"salinity": 34.0} if verb == "reading" else {}
    bench = Bench(Story(salinity=34.0).still(3))
    bench.run()
    said = bench.send(f"batch.{verb}", "mix-1", **facts)

    assert 1 == len(said)
    assert "no batch is known in mix-1" in str(facts_of(of(said, Kind.COMMAND)[0].body)["answer"])


def test_a_batch_command_needs_a_reservoir() -> None:
    """The station as a whole has no batch."""
    assert "- batch.use needs a reservoir" == a_batch().answer("batch.use", "")


# --- starting -----------------------------------------------------------------------------------


def test_a_start_in_unknown_water_begins_a_batch() -> None:
    """What stands there may be mixing already; the batch is dissolving."""
    bench = Bench(Story(salinity=20.0).still(3))
    bench.run()
    said = bench.send("batch.start", mass_g=100, volume_l=180)

    assert ["dissolving"] == phases(said)
    assert {"mix-1-20260302-1"} == {event.batch for event in said if isinstance(event, Event)}


def test_a_start_before_the_salt_waits_for_it() -> None:
    """Purified water is blank however soon one speaks, so weighing may take its time."""
    bench = Bench(Story().still(0.75))
    bench.run()
    assert "idle" == bench.phase
    said = bench.send("batch.start", mass_g=round(FULL_G), volume_l=180)
    bench.story.still(40)
    bench.run()
    assert (["blank"], "blank") == (phases(said), bench.phase)
    bench.story.dissolve(34.0)
    bench.run()
    told = bench.station.state.reservoirs["mix-1"].batch.salt

    assert "ready" == bench.phase
    assert told is not None
    assert (True, True) == (told.comparable, told.undisturbed)


def test_a_start_takes_the_mass_from_its_lot_once() -> None:
    """Told again it is put right: the lot gets back what was booked before."""
    bench = stocked()
    bench.answer("batch.start", mass_g=7000, lot="blue")
    assert 13000.0 == left_g(bench)
    bench.answer("batch.start", mass_g=7200, lot="blue")
    assert 12800.0 == left_g(bench)
    bench.answer("lot.add", "", name="green", bought_g=9000)
    bench.answer("batch.start", mass_g=7200, lot="green")

    assert 20000.0 == left_g(bench)
    assert 1800.0 == bench.station.state.lots["green"].left_g


def test_giving_back_is_no_more_than_was_taken() -> None:
    """A lot that had less left than was told is not filled up by a correction."""
    bench = stocked(left_g=100)
    bench.answer("batch.start", mass_g=7000, lot="blue")
    assert 0.0 == left_g(bench)
    bench.answer("batch.start", mass_g=40, lot="blue")

    assert 60.0 == left_g(bench)


def test_a_start_without_arguments_forgets_nothing() -> None:
    """An automation may say again and again that a batch is being mixed."""
    bench = stocked()
    bench.answer("batch.start", mass_g=7000, lot="blue")

    assert "batch mix-1-20260302-1 is being mixed" == bench.answer("batch.start")
    assert 13000.0 == left_g(bench)
    assert bench.station.state.reservoirs["mix-1"].batch.salt is not None


@pytest.mark.parametrize(
    "facts, part",
    [
        ({"lot": "blue"}, "mass_g is wanted too"),
        ({"volume_l": 100}, "mass_g is wanted too"),
        ({"mass_g": 7000, "lot": "red"}, "there is no lot 'red'; known are blue"),
        ({"mass_g": -1}, "mass_g = -1 is outside 0 to 1e+06"),
        ({"mass_g": 7000, "volume_l": 0}, "volume_l = 0 is outside 0.1 to 100000"),
        ({"mass_g": 90000, "volume_l": 10}, "outside 0 to 80"),
        ({"mass_g": 7000, "heel_volume_l": 10}, "heel_volume_l and heel_salinity are wanted"),
        (
            {"mass_g": 7000, "volume_l": 100, "heel_volume_l": 100, "heel_salinity": 30},
            "a heel of 100 L does not fit into 100 L",
        ),
    ],
)
def test_a_start_that_cannot_be_takes_nothing(facts: dict[str, JSON], part: str) -> None:
    """No salt is booked, and nothing is told."""
    bench = stocked()
    answer = bench.answer("batch.start", "mix-1", **facts)

    assert answer.startswith("- ")
    assert part in answer
    assert 20000.0 == left_g(bench)
    assert bench.station.state.reservoirs["mix-1"].batch.salt is None


# --- using up -----------------------------------------------------------------------------------


def test_a_batch_is_used_in_parts_and_ends_with_the_last() -> None:
    """What is left is counted; the last litre ends the batch by name."""
    bench = a_batch()
    assert "60 L of mix-1-20260302-1 used, about 120 L left" == bench.answer(
        "batch.use", volume_l=60
    )
    assert "ready" == bench.phase
    said = bench.send("batch.use", volume_l=120)
    (ended,) = of(said, Kind.BATCH)

    assert {"what": "ended", "how": "used", "by": "keeper"} == facts_in(ended)
    assert "mix-1-20260302-1" == ended.batch
    assert ("idle", None, None) == (
        bench.phase,
        bench.snapshot["batch"],
        bench.snapshot["stable_at"],
    )


def test_what_is_left_is_what_a_correction_is_for() -> None:
    """After 60 L are taken the rest is corrected, 131.6 L with the water that came."""
    bench = a_batch()
    bench.answer("batch.use", volume_l=60)
    bench.story.dissolve(31.0)
    bench.run()

    assert "off_target" == bench.phase
    assert "to about 131.6 L (estimated)" in bench.advice


def test_a_used_batch_used_again_is_refused() -> None:
    """By name it is known to be used; without a name there is none."""
    bench = a_batch()
    bench.answer("batch.use")

    assert "- batch mix-1-20260302-1 was used already" == bench.answer(
        "batch.use", batch="mix-1-20260302-1"
    )
    assert "- only a released batch may be used: no batch is known in mix-1" == bench.answer(
        "batch.use"
    )


def test_the_next_fill_after_the_end_is_a_new_batch() -> None:
    """Old water that stands there is none; purified water in its place is."""
    bench = a_batch()
    bench.answer("batch.use")
    bench.story.still(30)
    assert [] == phases(bench.run())
    bench.story.refilled().still(3).dissolve(34.0)
    said = bench.run()

    assert ["blank", "dissolving", "verifying", "ready"] == phases(said)
    assert "mix-1-20260302-2" == bench.snapshot["batch"]


def test_discarding_while_salt_dissolves_begins_no_other_batch() -> None:
    """What the level did before is forgotten with the batch that did it."""
    bench = a_bench(story=Story().still(3).ramp(2, 20.0))
    bench.run()
    assert "dissolving" == bench.phase
    bench.answer("batch.discard", why="wrong bag")
    bench.story.still(20)

    assert [] == phases(bench.run())
    assert "idle" == bench.phase


def test_a_batch_that_waits_to_be_looked_at_is_not_begun_again() -> None:
    """Only what was weighed may be corrected then, and the answer says so."""
    bench = a_batch(settings=replace(BATCH, needs_confirmation=True))

    assert "verifying" == bench.phase
    assert "- batch mix-1-20260302-1 is verifying already; mass_g corrects its salt" == (
        bench.answer("batch.start")
    )
    assert not bench.answer("batch.start", mass_g=7241.0, volume_l=180.0).startswith("-")
