"""What a person's answer about the place of the probe does to a batch, and when it is refused."""

from __future__ import annotations

import pytest

from daemon.entries import Kind
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, a_bench
from tests.parts.stories import of

BATCH_ID = "mix-1-20260302-1"


def books(bench: Bench) -> list[str]:
    """What happened to batches, in order."""
    return [str(facts_in(event)["what"]) for event in of(bench.entries, Kind.BATCH)]


def lifted(salinity: float = 34.0, minutes: float = 0.0) -> Bench:
    """A released batch whose probe hung in air for five minutes, then in water for some."""
    bench = a_batch()
    bench.story.lifted(5)
    bench.story.salinity = salinity
    bench.story.still(minutes)
    bench.run()
    assert bench.snapshot["question"] is not None
    return bench


def test_a_probe_that_is_out_leaves_the_batch_suspended_until_the_same_water_is_back() -> None:
    """Who said so is shown, nothing is asked again, and age has run."""
    bench = lifted()
    said = bench.answer("batch.answer", answer="probe-out")
    asked = bench.snapshot["question"]
    bench.story.lifted(60).still(20)
    bench.run()

    assert f"{BATCH_ID} is kept, and goes on once the same water is back" == said
    assert isinstance(asked, dict)
    assert "keeper" == asked["answered_by"]
    assert ["began", "suspended", "resumed"] == books(bench)
    assert "ready" == bench.phase
    age_h = bench.snapshot["age_h"]
    assert isinstance(age_h, float)
    assert age_h > 85.0 / 60.0


def test_a_probe_that_reads_nothing_is_not_in_the_batch() -> None:
    """The answer would have air judged as its water."""
    bench = lifted()
    said = bench.answer("batch.answer", answer="same-water")

    assert said == (
        f"- the probe reads 0.00 ppt, so it is not in the water of {BATCH_ID}: put it back first,"
        " or answer refilled"
    )
    assert ["began", "suspended"] == books(bench)


def test_the_same_water_with_another_salinity_is_mixed_again_with_its_age() -> None:
    """Somebody says that it is the batch; that it reads otherwise has to be looked at."""
    bench = lifted(salinity=33.0, minutes=5)
    before = bench.snapshot["age_h"]
    said = bench.answer("batch.answer", answer="same-water")

    assert f"{BATCH_ID} goes on; it is dissolving" == said
    assert ["began", "suspended", "resumed"] == books(bench)
    assert before == pytest.approx(bench.snapshot["age_h"], abs=0.01)


def test_a_refilled_vessel_ends_the_batch_and_begins_the_next_one() -> None:
    """The books say that it was used, and the next one has no age."""
    bench = lifted(salinity=0.0, minutes=3)
    said = bench.answer("batch.answer", answer="refilled")

    assert f"{BATCH_ID} is used, and mix-1-20260302-2 has begun; it is blank" == said
    assert ["began", "suspended", "ended", "began"] == books(bench)
    assert bench.snapshot["age_h"] is None
    assert "question" not in bench.snapshot


def test_an_answer_that_nobody_asked_for_changes_nothing() -> None:
    """Of a batch whose probe is in its water, and where no batch is known."""
    bench = a_batch()
    said = [bench.answer("batch.answer", answer=each) for each in ("probe-out", "same-water")]
    empty = a_bench().answer("batch.answer", answer="probe-out")

    nothing = f"- nothing is asked about {BATCH_ID}: its probe counts as being in its water"
    assert [nothing, nothing] == said
    assert "- no batch is known in mix-1, so nothing is asked" == empty
    assert ["began"] == books(bench)


def test_a_word_that_is_no_answer_is_refused_with_those_that_are() -> None:
    """Nothing is guessed from it."""
    said = lifted().answer("batch.answer", answer="out")

    assert said.startswith("- answer = ")
    assert said.endswith("is none of probe-out, same-water, refilled")
