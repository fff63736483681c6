"""Lots of salt mix in the commands: what batches teach them, what is left, what is corrected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Kind
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.seawater.dosing import plan
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.stories import BATCH, alarms, of
from tests.parts.weights import weights
from tests.unit.mixing.station.commands.test_dispatch import FULL_G, stocked


def test_a_release_teaches_its_lot() -> None:
    """Salt of 0.85 shows to be so, and the event says it."""
    bench = stocked()
    bench.answer("batch.start", mass_g=plan(180.0, 34.0, 0.85).salt_g, volume_l=180, lot="blue")
    bench.story.dissolve(34.0)
    learned = [e for e in of(bench.run(), Kind.BATCH) if facts_in(e)["what"] == "yield learned"]

    assert 1 == len(learned)
    assert ("blue", 1) == (facts_in(learned[0])["lot"], facts_in(learned[0])["batches"])
    (weighing,) = bench.station.state.lots["blue"].weighings
    assert 0.85 == pytest.approx(weighing.mix_yield, abs=0.002)


def test_what_was_corrected_teaches_by_what_it_gave_before() -> None:
    """After an addition the mass told is not all that went in; until then it was, at 31."""
    bench = stocked()
    bench.answer("batch.start", mass_g=6500, volume_l=180, lot="blue")
    bench.story.dissolve(31.0).dissolve(34.0)
    bench.run()

    assert "ready" == bench.phase
    (weighing,) = bench.station.state.lots["blue"].weighings
    assert plan(180.0, 31.0, weighing.mix_yield).salt_g == pytest.approx(6500, rel=0.002)


def test_a_stale_batch_teaches_nothing_more() -> None:
    """Neither that mixing took a day, nor a yield of water that stood."""
    bench = stocked()
    bench.station = Station(
        {"mix-1": ReservoirSettings("mix-1", replace(BATCH, use_within_h=0.5))},
        weights(),
        bench.station.state,
    )
    bench.answer("batch.start", mass_g=FULL_G, volume_l=180, lot="blue")
    bench.story.dissolve(34.0).still(60)
    bench.run()
    times = [*bench.station.state.reservoirs["mix-1"].times.minutes]
    assert "stale" == bench.phase
    bench.answer("batch.confirm")

    assert "ready" == bench.phase
    assert times == bench.station.state.reservoirs["mix-1"].times.minutes
    assert 1 == len(times)
    assert 1 == len(bench.station.state.lots["blue"].weighings)


def test_low_stock_is_an_alarm_until_the_lot_is_filled_or_changed() -> None:
    """Beyond the end of the batch that used it, for the next one will want it."""
    bench = stocked(left_g=9000)
    bench.answer("batch.start", mass_g=FULL_G, volume_l=180, lot="blue")
    bench.story.dissolve(34.0)
    bench.run()
    assert {"salt-low"} == bench.alarms
    bench.answer("batch.use")
    bench.story.still(2)
    bench.run()
    assert {"salt-low"} == bench.alarms
    bench.answer("lot.adjust", "", name="blue", left_g=15000)
    bench.story.still(2)

    assert [("salt-low", "cleared")] == alarms(bench.run())


def test_lots_are_corrected_in_what_is_reported_and_keep_the_rest() -> None:
    """Another weighing changes the mass left and nothing else."""
    bench = stocked(number="B-77", label_yield=0.87, opened_on="2026-02-01")
    assert "lot blue: 7500 g left" == bench.answer("lot.adjust", "", name="blue", left_g=7500)
    lot = bench.station.state.lots["blue"]

    assert (20000.0, 7500.0, "B-77", 0.87, "2026-02-01") == (
        lot.bought_g,
        lot.left_g,
        lot.number,
        lot.label_yield,
        lot.opened_on,
    )
    assert "- there is a lot 'blue' already" in bench.answer("lot.add", "", name="blue")


def test_lots_and_the_recorded_salt_survive_a_restart() -> None:
    """The kept state has them."""
    bench = stocked()
    bench.answer("batch.start", mass_g=7000, volume_l=170, lot="blue")
    state = restore(dump(bench.station.state))

    assert state is not None
    assert state == bench.station.state
    assert 2 == state.commands_taken
