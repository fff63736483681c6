"""What a person may answer about a batch whose probe is elsewhere, phase by phase."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from daemon.entries import JSON, Entry, Kind, Phase
from daemon.mixing.batch.batch_state import BatchSettings
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_bench, without_time
from tests.parts.stories import BATCH, Story, of, phases

FIRST, SECOND = "mix-1-20260302-1", "mix-1-20260302-2"


def dissolving(story: Story) -> Story:
    """Salt that is still going into solution."""
    return story.still(6).dissolve(34.0, 6, 300.0)


def released(story: Story) -> Story:
    """A batch of 34.0, forty-five minutes after its salt."""
    return story.still(6).dissolve(34.0, 45)


def off_target(story: Story) -> Story:
    """A batch of 31, too low by 2."""
    return story.still(6).dissolve(31.0, 45)


PHASES: list[tuple[Phase, BatchSettings, Callable[[Story], Story], str]] = [
    (Phase.DISSOLVING, BATCH, dissolving, "discarded"),
    (Phase.VERIFYING, replace(BATCH, needs_confirmation=True), released, "discarded"),
    (Phase.READY, BATCH, released, "used"),
    (Phase.OFF_TARGET, BATCH, off_target, "discarded"),
    (Phase.STALE, replace(BATCH, use_within_h=0.2, warn_before_h=0.1), released, "used"),
]
IN_EACH_PHASE = pytest.mark.parametrize("phase, settings, course, end", PHASES)


def lifted(settings: BatchSettings, course: Callable[[Story], Story], phase: Phase) -> Bench:
    """A bench whose probe has hung in air for five minutes, in this phase."""
    bench = a_bench(settings, course(Story(period_s=10.0)))
    bench.run()
    assert phase == bench.phase
    bench.story.lifted(5)
    bench.run()
    assert asked(bench)
    return bench


def a_lift() -> Bench:
    """A released batch whose probe has hung in air for five minutes."""
    return lifted(BATCH, released, Phase.READY)


def steps(entries: list[Entry]) -> list[str]:
    """What happened to batches, in order."""
    return [str(facts_in(each)["what"]) for each in of(entries, Kind.BATCH)]


def asked(bench: Bench) -> bool:
    """Whether a person is asked about the batch."""
    return "question" in bench.snapshot


def refused(bench: Bench, verb: str, **facts: JSON) -> str:
    """The sentence with which a command is refused, which changes nothing."""
    before = without_time(bench.station.state)
    answered = bench.answer(verb, "mix-1", **facts)
    assert before == without_time(bench.station.state)
    assert answered.startswith("- ")
    return answered


# --- probe-out ----------------------------------------------------------------------------------


@IN_EACH_PHASE
def test_who_says_that_the_probe_is_out_keeps_the_batch(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], end: str
) -> None:
    """It stays suspended, says who answered, and goes on once the same water is back."""
    bench = lifted(settings, course, phase)
    said = f"{FIRST} is kept, and goes on once the same water is back"

    assert said == bench.answer("batch.answer", answer="probe-out")
    suspension = bench.station.state.reservoirs["mix-1"].batch.suspension
    assert suspension is not None
    assert "keeper" == suspension.answered_by
    bench.story.lifted(30).still(10)
    assert ["resumed"] == steps(bench.run())
    assert end not in bench.station.state.reservoirs["mix-1"].batch.ended.values()


# --- same-water ---------------------------------------------------------------------------------


@IN_EACH_PHASE
def test_a_dry_probe_is_not_in_the_water_of_a_batch_whatever_anybody_says(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], end: str
) -> None:
    """At 0.00 ppt the answer is refused with what to do, and nothing is changed."""
    bench = lifted(settings, course, phase)

    assert (
        f"- the probe reads 0.00 ppt, so it is not in the water of {FIRST}: put it back first, or"
        " answer refilled"
    ) == refused(bench, "batch.answer", answer="same-water")
    assert end not in bench.station.state.reservoirs["mix-1"].batch.ended.values()


def test_water_in_which_a_person_says_the_probe_is_goes_on_as_mixed_again() -> None:
    """33.0 after 34.0 is water that came: resumed, dissolving, and released when it is steady."""
    bench = a_lift()
    first_s = bench.station.state.reservoirs["mix-1"].batch.age.released_s
    bench.story.salinity = 33.4
    bench.story.still(5)
    assert [] == steps(bench.run())
    followed = bench.send("batch.answer", answer="same-water")

    assert (["resumed"], ["dissolving"]) == (steps(followed), phases(followed))
    bench.story.still(45)
    assert ["verifying", "ready"] == phases(bench.run())
    assert (FIRST, first_s) == (
        bench.station.state.reservoirs["mix-1"].batch.id,
        bench.station.state.reservoirs["mix-1"].batch.age.released_s,
    )


def test_the_same_water_off_target_goes_on_where_it_is() -> None:
    """31.0 was 31.0: a person who answers before it is known is right, and nothing moves."""
    bench = lifted(BATCH, off_target, Phase.OFF_TARGET)
    bench.story.still(20 / 60)
    bench.run()
    followed = bench.send("batch.answer", answer="same-water")

    assert (["resumed"], []) == (steps(followed), phases(followed))
    assert (Phase.OFF_TARGET, False) == (bench.phase, asked(bench))


# --- refilled -----------------------------------------------------------------------------------


@IN_EACH_PHASE
def test_who_says_refilled_ends_the_batch_by_name_and_begins_the_next(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], end: str
) -> None:
    """Used if it was ever released, else discarded; what follows is blank and of no age."""
    bench = lifted(settings, course, phase)
    followed = bench.send("batch.answer", answer="refilled")
    (ended, began) = of(followed, Kind.BATCH)

    assert (FIRST, "ended", end, "keeper") == (
        ended.batch,
        *(facts_in(ended)[name] for name in ("what", "how", "by")),
    )
    assert (SECOND, "began") == (began.batch, facts_in(began)["what"])
    assert (["blank"], Phase.BLANK, False) == (phases(followed), bench.phase, asked(bench))
    assert bench.station.state.reservoirs["mix-1"].batch.age.released_s is None


def test_salt_after_a_refill_that_a_person_told_is_of_the_new_batch() -> None:
    """Purified water, the answer, and salt: the second batch is released."""
    bench = a_lift()
    bench.story.refilled()
    bench.run()
    bench.send("batch.answer", answer="refilled")
    bench.story.still(6).dissolve(34.0, 45)
    said = bench.run()

    assert ([], ["dissolving", "verifying", "ready"]) == (steps(said), phases(said))
    assert SECOND == bench.station.state.reservoirs["mix-1"].batch.id


def test_a_refill_with_salty_water_dissolves() -> None:
    """Where the probe reads 25, more than 0.4 of 34, the new water is judged as it is."""
    bench = a_lift()
    bench.story.salinity = 25.0
    bench.story.still(5)
    bench.run()
    followed = bench.send("batch.answer", answer="refilled")

    assert (["ended", "began"], ["dissolving"]) == (steps(followed), phases(followed)[-1:])


def test_in_purified_water_there_is_no_batch_to_refill() -> None:
    """A batch that waits for its salt is in purified water already."""
    bench = a_bench()
    bench.run()

    assert (f"- {FIRST} is in purified water already; 'batch discard' ends it") == refused(
        bench, "batch.answer", answer="refilled"
    )


def test_a_refill_of_old_water_begins_a_batch_where_there_was_none() -> None:
    """Nothing ends: 34 without a batch, purified water in its place, and a person who says so."""
    bench = a_bench(BATCH, Story(period_s=10.0, salinity=34.0).still(20).lifted(3))
    bench.run()
    followed = bench.send("batch.answer", answer="refilled")

    assert (["began"], ["blank"]) == (steps(followed), phases(followed))
    assert FIRST == bench.station.state.reservoirs["mix-1"].batch.id


# --- refused ------------------------------------------------------------------------------------


@pytest.mark.parametrize("given", ["probe-out", "same-water"])
def test_nothing_is_answered_where_nothing_is_asked(given: str) -> None:
    """The probe of a released batch counts as being in its water."""
    bench = a_bench(BATCH, released(Story(period_s=10.0)))
    bench.run()

    assert (f"- nothing is asked about {FIRST}: its probe counts as being in its water") == refused(
        bench, "batch.answer", answer=given
    )


@pytest.mark.parametrize(
    "given, sentence",
    [
        ("probe-out", "- no batch is known in mix-1, so nothing is asked"),
        ("same-water", "- no batch is known in mix-1, so nothing is asked"),
        ("refilled", "- nothing is asked: no batch is known in mix-1"),
    ],
)
def test_without_a_batch_nothing_is_asked(given: str, sentence: str) -> None:
    """Old water of 34 in which the probe rests is of no batch."""
    bench = a_bench(BATCH, Story(period_s=10.0, salinity=34.0).still(20))
    bench.run()

    assert sentence == refused(bench, "batch.answer", answer=given)


@pytest.mark.parametrize("given", ["", "yes", "PROBE-OUT"])
def test_an_unknown_answer_is_refused_with_those_that_are_known(given: str) -> None:
    """One sentence names the three of them."""
    answered = refused(a_lift(), "batch.answer", answer=given)

    assert answered.endswith("is none of probe-out, same-water, refilled")


def test_an_answer_about_another_batch_is_refused() -> None:
    """Who answers late about a batch that has ended does not end the next."""
    bench = a_lift()
    bench.send("batch.answer", answer="refilled")

    assert f"- batch {FIRST} was used already" == refused(
        bench, "batch.answer", answer="refilled", batch=FIRST
    )


# --- other commands -----------------------------------------------------------------------------


def test_a_released_batch_may_be_used_while_its_probe_is_out() -> None:
    """It was released; forty litres leave 140 of 180, and all of it ends it as used."""
    bench = a_lift()

    assert f"40 L of {FIRST} used, about 140 L left" == bench.answer("batch.use", volume_l=40)
    followed = bench.send("batch.use")
    assert ["ended"] == steps(followed)
    assert ("used", Phase.IDLE) == (facts_in(of(followed, Kind.BATCH)[0])["how"], bench.phase)


def test_a_batch_that_was_never_released_may_not_be_used_while_its_probe_is_out() -> None:
    """Suspended or not, only a released batch may be used."""
    bench = lifted(BATCH, off_target, Phase.OFF_TARGET)

    assert refused(bench, "batch.use").startswith("- only a released batch may be used")


def test_salt_that_is_weighed_for_low_water_says_that_it_is_a_refill() -> None:
    """Released, suspended, in purified water, and 7000 g: it is used, and the next begins."""
    bench = a_lift()
    bench.story.refilled()
    bench.run()
    followed = bench.send("batch.start", mass_g=7000)
    (ended, _) = of(followed, Kind.BATCH)

    assert ["ended", "began"] == steps(followed)
    assert (FIRST, "used") == (ended.batch, facts_in(ended)["how"])
    salt = bench.station.state.reservoirs["mix-1"].batch.salt
    assert salt is not None
    assert (SECOND, 7000.0, 0.0) == (
        bench.station.state.reservoirs["mix-1"].batch.id,
        salt.mass_g,
        salt.initial_salinity,
    )


def test_salt_is_not_weighed_for_a_released_batch_in_its_water() -> None:
    """Where the probe reads 34 the batch has to be ended first."""
    bench = a_bench(BATCH, released(Story(period_s=10.0)))
    bench.run()

    assert refused(bench, "batch.start", mass_g=7000).startswith(
        f"- batch {FIRST} is ready already; end it"
    )
