"""What people record about a batch whose probe is not in its water."""

from __future__ import annotations

import pytest

from daemon.entries import Kind
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, a_bench
from tests.parts.stories import of


def books(bench: Bench) -> list[str]:
    """What happened to batches, in order."""
    return [str(facts_in(event)["what"]) for event in of(bench.entries, Kind.BATCH)]


def a_suspended_batch() -> Bench:
    """A released batch whose probe has hung in air for five minutes."""
    bench = a_batch()
    assert "ready" == bench.phase
    bench.story.lifted(5)
    bench.run()
    assert bench.snapshot["question"] is not None
    assert "verifying" == bench.phase
    return bench


def test_a_released_batch_that_is_suspended_may_be_used() -> None:
    """Its water was released, and a person lifted the probe to draw it."""
    bench = a_suspended_batch()
    drawn = bench.answer("batch.use", volume_l=40.0)
    used = bench.answer("batch.use")

    assert "40 L of mix-1-20260302-1 used, about 140 L left" == drawn
    assert "batch mix-1-20260302-1 is used" == used
    assert ["began", "suspended", "ended"] == books(bench)
    assert "question" not in bench.snapshot


def test_a_suspended_batch_that_was_never_released_may_not_be_used() -> None:
    """The probe in air proves nothing of the water."""
    bench = a_batch(minutes=15)
    bench.story.lifted(5)
    bench.run()

    assert bench.snapshot["question"] is not None
    assert bench.answer("batch.use").startswith("- only a released batch may be used")
    assert ["began", "suspended"] == books(bench)


def test_weighed_salt_for_a_suspended_batch_that_reads_low_begins_the_next_one() -> None:
    """Who weighs salt for low water says that it is not the water of the batch any more."""
    bench = a_suspended_batch()
    answered = bench.answer("batch.start", mass_g=7241.0, volume_l=180.0)

    assert not answered.startswith("- ")
    assert ["began", "suspended", "ended", "began"] == books(bench)
    assert "mix-1-20260302-2" == bench.snapshot["batch"]
    assert "question" not in bench.snapshot


@pytest.mark.parametrize("minutes", [15, 45])
def test_nothing_is_forecast_of_a_suspended_batch(minutes: float) -> None:
    """Nor is there a chance that mixing is over: it may be other water that is read."""
    bench = a_bench()
    bench.story.dissolve(34.0, minutes).lifted(5)
    bench.run()
    shown = bench.snapshot

    assert shown["question"] is not None
    assert not shown.keys() & {"expected_ready_at", "final_salinity", "chance_over", "held_back_by"}
    assert ("forecast_note" in shown) == (shown["phase"] == "dissolving")
