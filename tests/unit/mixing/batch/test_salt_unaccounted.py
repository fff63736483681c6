"""Salt that was told and is not found: named, held back from release, and found again."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from daemon.entries import JSON
from daemon.mixing.batch.batch_state import BatchSettings, BatchState, Judgement, SaltAddition
from daemon.mixing.batch.release import pending, shortfall
from daemon.mixing.seawater.dosing import correct, plan
from tests.parts.people import Bench, a_bench
from tests.parts.stories import BATCH, Story, phases

FULL_G = plan(180.0, 34.0, 0.881).salt_g
"""Mix for a batch at 34, as weighed."""


def short(told_g: float = 8200.0, settings: BatchSettings = BATCH, found: float = 34.0) -> Bench:
    """A batch of which more was told than the water shows."""
    bench = a_bench(settings)
    bench.run()
    bench.answer("batch.start", mass_g=told_g, volume_l=180)
    bench.story.dissolve(found)
    bench.run()
    return bench


def test_salt_unaccounted_for_blocks_release_and_is_named() -> None:
    """The grams missing are those told less those that make what was found."""
    bench = short()
    found = re.search(r"(\d+) g of the 8200 g weighed are unaccounted for", bench.advice)

    assert "verifying" == bench.phase
    assert found is not None
    assert 8200.0 - FULL_G == pytest.approx(float(found[1]), abs=25.0)
    assert "look for salt on the bottom, and check the weight and the volume" in bench.advice
    assert {"salt-unaccounted"} == bench.alarms


def test_it_may_be_released_all_the_same_where_the_owner_says_so() -> None:
    """With `release_short` the batch is ready."""
    assert "ready" == short(settings=replace(BATCH, release_short=True)).phase


def test_the_right_mass_corrected_releases_at_once() -> None:
    """A slip of the pen is corrected while verifying, for the same batch."""
    bench = short()
    batch = bench.snapshot["batch"]
    said = bench.send("batch.start", mass_g=round(FULL_G), volume_l=180)
    bench.story.still(1)
    bench.run()

    assert ["ready"] == phases(said)
    assert batch == bench.snapshot["batch"]
    assert set() == bench.alarms


def test_the_salt_of_a_refused_batch_may_be_corrected_too() -> None:
    """The wrong volume gave the wrong grams; the answer has the right ones, and no shortage."""
    bench = short(told_g=round(FULL_G), found=31.0)
    assert ("off_target", True) == (bench.phase, "to 180 L" in bench.advice)
    answer = bench.answer("batch.start", mass_g=4000, volume_l=110)
    bench.story.still(1)
    bench.run()

    assert "the salt is corrected: 4000 g in 110 L; batch mix-1-20260302-1 is off_target" in answer
    assert "to 110 L" in answer
    assert {"batch-off-target"} == bench.alarms


def test_salt_that_dissolves_after_all_ends_the_shortage() -> None:
    """Stirred up from the bottom it is found: what was told still accounts for it."""
    bench = short(told_g=round(FULL_G), found=30.0)
    assert "off_target" == bench.phase
    assert {"salt-unaccounted", "batch-off-target"} == bench.alarms
    assert "are unaccounted for" in bench.advice
    assert "; only then add" in bench.advice
    bench.story.dissolve(34.0)
    bench.run()

    assert ("ready", set()) == (bench.phase, bench.alarms)


def test_salt_that_dissolves_in_part_leaves_the_rest_missing() -> None:
    """Still short after the stir, still said so."""
    bench = short(told_g=8900.0, found=30.0)
    bench.story.dissolve(34.0)
    bench.run()

    assert "verifying" == bench.phase
    assert "g of the 8900 g weighed are unaccounted for" in bench.advice


def test_the_recorded_salt_says_nothing_of_an_addition() -> None:
    """Salt on top of a batch that lacked none is not counted against the first weighing."""
    bench = short(told_g=6600.0, found=31.0)
    assert "off_target" == bench.phase
    bench.story.dissolve(34.0)
    bench.run()
    told = bench.station.state.reservoirs["mix-1"].batch.salt

    assert "ready" == bench.phase
    assert told is not None
    assert (False, False) == (told.comparable, told.undisturbed)


def test_advice_after_an_addition_still_knows_volume_and_yield() -> None:
    """The grams are those for the litres that were told, not for those of the configuration."""
    bench = a_bench()
    bench.run()
    bench.answer("batch.start", mass_g=3000, volume_l=90)
    bench.story.dissolve(29.0).dissolve(31.0)
    bench.run()

    assert "off_target" == bench.phase
    assert "to 90 L" in bench.advice


def test_advice_after_an_addition_counts_with_the_lot_and_what_is_left() -> None:
    """Salt of a label yield of 0.80 is dosed by it, for what was not used and the water that came.

    100 L of 34 thinned to 31 are 109.7 L.
    """
    bench = a_bench()
    bench.run()
    bench.answer("lot.add", "", name="weak", label_yield=0.8)
    bench.answer("batch.start", mass_g=7990, volume_l=180, lot="weak")
    bench.story.dissolve(34.0)
    bench.run()
    assert "ready" == bench.phase
    bench.answer("batch.use", volume_l=80)
    bench.story.dissolve(31.0)
    bench.run()
    known = bench.station.state.reservoirs["mix-1"].batch
    assert known.salt is not None
    assert known.judgement.salinity is not None
    there_l = 100.0 * 34.0 / 31.0
    wanted = correct(there_l, known.judgement.salinity, 34.0, known.salt.salt_content)

    assert 0.8 == known.salt.salt_content
    assert not known.salt.comparable
    assert "to about 109.7 L (estimated)" in bench.advice
    assert wanted.salt_g == pytest.approx(float(str(bench.snapshot["advice_salt_g"])), abs=1.0)


def test_too_much_salt_is_no_short_yield() -> None:
    """More found than told is a wrong weight, but nothing lies on the bottom."""
    state = BatchState(
        judgement=Judgement(salinity=38.0, salinity_u=0.1),
        salt=SaltAddition(5000.0, 180.0, 0.0, 0.881, 0.01),
    )
    found = shortfall(state)

    assert found is not None
    assert found.missing_g < 0.0
    assert {} == pending(state, BATCH)


def test_small_differences_are_no_shortage() -> None:
    """A salt of unknown yield may give three per cent less; that is not residue."""
    bench = short(told_g=FULL_G * 1.03)

    assert ("ready", set()) == (bench.phase, bench.alarms)


def test_a_heel_is_part_of_what_is_expected() -> None:
    """60 L at 30 in 180 L bring their own salt; as told, or as seen before the salt went in."""
    dose = plan(180.0, 34.0, 0.881, heel_volume_l=60.0, heel_salinity=30.0)
    for facts in ({"heel_volume_l": 60, "heel_salinity": 30}, {}):
        bench = a_bench(story=Story(salinity=30.0).still(4).dissolve(10.0, 15, 60.0))
        bench.run()
        assert "blank" == bench.phase
        told: dict[str, JSON] = {"mass_g": dose.salt_g, "volume_l": 180, **facts}
        bench.send("batch.start", "mix-1", **told)
        bench.story.dissolve(34.0)
        bench.run()
        state = bench.station.state.reservoirs["mix-1"].batch

        assert state.salt is not None
        assert 10.0 == pytest.approx(state.salt.initial_salinity, abs=0.15)
        assert "ready" == bench.phase
