"""Salt water that was not seen being mixed, and that no batch is known of."""

from __future__ import annotations

from daemon.entries import Kind
from tests.parts.events import facts_in
from tests.parts.people import a_batch
from tests.parts.stories import Story, of


def test_a_probe_put_into_salt_water_begins_no_batch_and_says_how_one_begins() -> None:
    """From air into 34 ppt at once: nobody knows how old that water is."""
    story = Story().lifted(10)
    story.salinity = 34.0
    entries = story.still(20).play()
    (advice,) = of(entries, Kind.ADVICE)

    assert [] == of(entries, Kind.BATCH)
    assert "water of 34.0 ppt that it did not see mixed" in str(facts_in(advice)["advice"])


def test_used_water_that_is_met_again_is_no_unknown_water() -> None:
    """The probe is dipped into what the last batch left: nothing is said of it."""
    bench = a_batch()
    bench.answer("batch.use")
    bench.story.lifted(20).still(20)
    said = bench.run()

    assert [] == of(said, Kind.ADVICE)
    assert [] == of(said, Kind.BATCH)


def test_a_refill_reported_before_the_probe_reads_anything_begins_with_unknown_water() -> None:
    """No reading is no purified water: what the new batch holds is not known."""
    bench = a_batch()
    bench.station.state.reservoirs["mix-1"].probes.clear()
    said = bench.send("batch.answer", "mix-1", answer="refilled")
    (began,) = (each for each in of(said, Kind.BATCH) if facts_in(each)["what"] == "began")

    assert None is facts_in(began)["salinity"]
