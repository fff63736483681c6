"""A batch whose probe is elsewhere: kept, asked about, resumed, and ended by nobody's guess."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import pytest

from daemon.entries import Entry, Event, Kind, Phase
from daemon.journal.checkpoint import dump, restore, restore_batches
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.batch.suspension import ANSWERS, QUESTION
from daemon.mixing.station.station import ReservoirSettings, Station, StationState
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_bench
from tests.parts.stories import BATCH, Story, of, phases
from tests.parts.weights import weights

SHORT = replace(BATCH, use_within_h=1.0, warn_before_h=0.5)
STRICT = replace(BATCH, needs_confirmation=True)


def blank(story: Story) -> Story:
    """Purified water for ten minutes."""
    return story.still(10)


def dissolving(story: Story) -> Story:
    """Salt that has gone into solution for six minutes, with eight more to come."""
    return story.still(6).dissolve(34.0, 6, 300.0)


def released(story: Story) -> Story:
    """A batch of 34.0, forty-five minutes after its salt."""
    return story.still(6).dissolve(34.0, 45)


def off_target(story: Story) -> Story:
    """A batch of 31, too low by 2."""
    return story.still(6).dissolve(31.0, 45)


PHASES: list[tuple[Phase, BatchSettings, Callable[[Story], Story], Phase]] = [
    (Phase.DISSOLVING, BATCH, dissolving, Phase.DISSOLVING),
    (Phase.VERIFYING, STRICT, released, Phase.VERIFYING),
    (Phase.READY, BATCH, released, Phase.VERIFYING),
    (Phase.OFF_TARGET, BATCH, off_target, Phase.OFF_TARGET),
    (Phase.STALE, replace(BATCH, use_within_h=0.2, warn_before_h=0.1), released, Phase.STALE),
]
IN_EACH_PHASE = pytest.mark.parametrize("phase, settings, course, meanwhile", PHASES)


def a_story() -> Story:
    """A probe that is read each ten seconds."""
    return Story(period_s=10.0)


def at_bench(settings: BatchSettings, course: Callable[[Story], Story]) -> Bench:
    """A bench at which this has happened."""
    bench = a_bench(settings, course(a_story()))
    bench.run()
    return bench


def steps(entries: list[Entry]) -> list[str]:
    """What happened to batches, in order."""
    return [str(facts_in(each)["what"]) for each in of(entries, Kind.BATCH)]


def released_s(bench: Bench) -> float | None:
    """As of when the age of the water counts, s."""
    return bench.station.state.reservoirs["mix-1"].batch.age.released_s


def id_of(bench: Bench) -> str:
    """Of the batch in the only reservoir."""
    return bench.station.state.reservoirs["mix-1"].batch.id


def asked(bench: Bench) -> bool:
    """Whether a person is asked about the batch."""
    return "question" in bench.snapshot


def after_restart(bench: Bench, kept: StationState | None, settings: BatchSettings) -> None:
    """The station starts anew with what was kept."""
    assert kept is not None
    reservoirs = {"mix-1": ReservoirSettings("mix-1", settings)}
    bench.station = Station(reservoirs, weights(), kept)


def of_another_shape(text: str) -> str:
    """A checkpoint as another version would have written it."""
    return json.dumps({**json.loads(text), "shape": "another"})


# --- in every phase -----------------------------------------------------------------------------


@IN_EACH_PHASE
def test_a_probe_in_air_for_a_quarter_of_an_hour_suspends_the_batch_and_ends_nothing(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], meanwhile: Phase
) -> None:
    """One batch, suspended once within two minutes and resumed once within one."""
    bench = at_bench(settings, course)
    assert phase == bench.phase
    lifted = bench.story.wall
    bench.story.lifted(15)
    away = bench.run()

    assert (["suspended"], meanwhile) == (steps(away), bench.phase)
    (suspended,) = of(away, Kind.BATCH)
    assert 120.0 >= (suspended.at.wall - lifted).total_seconds()
    assert asked(bench)
    back = bench.story.wall
    bench.story.still(10)
    again = bench.run()

    assert (["resumed"], "mix-1-20260302-1") == (steps(again), id_of(bench))
    assert 60.0 >= (of(again, Kind.BATCH)[0].at.wall - back).total_seconds()
    assert not asked(bench)
    assert ["began", "suspended", "resumed"] == steps(bench.entries)


def test_a_probe_in_air_leaves_purified_water_blank() -> None:
    """Nothing was released, and air reads as purified water does: one batch, still blank."""
    bench = at_bench(BATCH, blank)
    bench.story.lifted(15).still(10)
    bench.run()

    assert (["began"], Phase.BLANK) == (steps(bench.entries), bench.phase)


def test_a_probe_in_air_begins_nothing_where_there_is_no_batch() -> None:
    """Old water of 34 without a batch, air for fifteen minutes, and the same water."""
    bench = a_bench(BATCH, Story(period_s=10.0, salinity=34.0).still(20).lifted(8).still(20))
    bench.run()

    assert ([], Phase.IDLE) == (steps(bench.entries), bench.phase)


def test_a_released_batch_is_ready_again_as_old_as_it_was() -> None:
    """Its age counts as of the first release, and it is to be used by the same time."""
    bench = at_bench(BATCH, released)
    first_s, first = released_s(bench), bench.snapshot["use_by"]
    bench.story.lifted(15)
    bench.run()
    suspended = released_s(bench)
    bench.story.still(10)
    said = bench.run()

    assert ["ready"] == phases(said)
    assert (first_s, first_s) == (suspended, released_s(bench))
    assert first == bench.snapshot["use_by"]


def test_what_is_asked_can_be_answered_in_three_ways() -> None:
    """The event says what was read before, 34.00, and what people may answer."""
    bench = at_bench(BATCH, released)
    bench.story.lifted(3)
    (suspended,) = of(bench.run(), Kind.BATCH)
    facts = facts_in(suspended)

    assert "the probe reads 0.00 ppt and read 34.00 ppt before" in str(facts["why"])
    assert (QUESTION, list(ANSWERS)) == (facts["question"], facts["answers"])
    assert ["probe-out", "same-water", "refilled"] == list(ANSWERS)


def test_half_a_minute_in_air_is_no_suspension() -> None:
    """Thirty seconds and thirty until it is known to be back are the minute that is allowed."""
    bench = at_bench(BATCH, released)
    bench.story.lifted(30 / 60).still(10)
    bench.run()

    assert (["began"], Phase.READY) == (steps(bench.entries), bench.phase)


def test_two_whole_episodes_in_a_row_are_as_good_as_one() -> None:
    """Suspended and resumed twice, ready after each, of the same batch and the same age."""
    bench = at_bench(BATCH, released)
    first_s = released_s(bench)
    for _ in range(2):
        bench.story.lifted(15).still(15)
        said = bench.run()
        assert (["suspended", "resumed"], Phase.READY) == (steps(said), bench.phase)
        assert ["verifying", "ready"] == phases(said)

    assert (first_s, "mix-1-20260302-1") == (released_s(bench), id_of(bench))


def test_a_refill_after_two_episodes_is_a_refill_still() -> None:
    """Drained, filled and salted after two lifts: one ended as used, one begun."""
    bench = at_bench(BATCH, released)
    bench.story.lifted(15).still(15).lifted(15).still(15).refilled().dissolve(34.0, 45)
    said = bench.run()

    assert ["suspended", "resumed"] * 2 + ["suspended", "ended", "began"] == steps(said)
    assert ("mix-1-20260302-2", Phase.READY) == (id_of(bench), bench.phase)


def test_purified_water_alone_ends_nothing() -> None:
    """Refilled, and two hours without salt: kept and asked about, for it may be a beaker."""
    bench = at_bench(BATCH, released)
    bench.story.refilled().still(120)

    assert ["suspended"] == steps(bench.run())
    assert "mix-1-20260302-1" == id_of(bench)


# --- restart, silence, age ----------------------------------------------------------------------


@IN_EACH_PHASE
def test_a_restart_in_the_middle_keeps_the_suspension(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], meanwhile: Phase
) -> None:
    """Seven minutes in air, a restart, eight minutes in air, and the water: resumed once."""
    bench = at_bench(settings, course)
    assert phase == bench.phase
    bench.story.lifted(7)
    bench.run()
    first_s = released_s(bench)
    after_restart(bench, restore(dump(bench.station.state)), settings)
    bench.story.lifted(8)

    assert ([], meanwhile) == (steps(bench.run()), bench.phase)
    bench.story.still(10)
    assert ["resumed"] == steps(bench.run())
    assert (first_s, "mix-1-20260302-1") == (released_s(bench), id_of(bench))


def of_another_version(bench: Bench, settings: BatchSettings) -> None:
    """The station starts anew with what every version keeps."""
    text = of_another_shape(dump(bench.station.state))
    assert restore(text) is None
    after_restart(bench, restore_batches(text), settings)


@IN_EACH_PHASE
def test_another_version_asks_again_and_neither_releases_nor_ends(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], meanwhile: Phase
) -> None:
    """Only batches are restored; after eight more minutes in air a person is asked, and no more."""
    bench = at_bench(settings, course)
    assert phase == bench.phase
    first_s = released_s(bench)
    bench.story.lifted(7)
    bench.run()
    of_another_version(bench, settings)
    bench.story.lifted(8)
    away = bench.run()

    assert set(steps(away)) <= {"suspended", "resumed"}
    assert ([], meanwhile, "mix-1-20260302-1") == (phases(away), bench.phase, id_of(bench))
    assert asked(bench)
    bench.story.still(20)
    back = bench.run()

    assert set(steps(back)) <= {"suspended", "resumed"}
    assert (first_s, "mix-1-20260302-1") == (released_s(bench), id_of(bench))
    assert (phase is Phase.DISSOLVING) == asked(bench)


def test_salt_that_went_into_solution_behind_another_version_waits_for_a_person() -> None:
    """34.0 where 23 was left, with nobody watching: asked for an hour, released by an answer."""
    bench = at_bench(BATCH, dissolving)
    bench.story.lifted(7)
    bench.run()
    of_another_version(bench, BATCH)
    bench.story.lifted(8).still(60)
    assert "ready" not in phases(bench.run())
    assert (Phase.VERIFYING, True) == (bench.phase, asked(bench))
    bench.send("batch.answer", answer="same-water")
    bench.story.still(20)

    assert ["ready"] == phases(bench.run())
    assert ("mix-1-20260302-1", False) == (id_of(bench), asked(bench))


@IN_EACH_PHASE
def test_a_probe_that_is_silent_while_it_is_away_proves_nothing(
    phase: Phase, settings: BatchSettings, course: Callable[[Story], Story], meanwhile: Phase
) -> None:
    """Five minutes in air, ten without values, five in air: suspended once and still."""
    bench = at_bench(settings, course)
    assert phase == bench.phase
    bench.story.lifted(5).silence(10).lifted(5)

    assert (["suspended"], meanwhile) == (steps(bench.run()), bench.phase)
    bench.story.still(10)
    assert ["resumed"] == steps(bench.run())


@pytest.mark.parametrize("lifted_s", [10, 20, 30, 40, 60, 70, 90])
def test_a_value_that_is_missing_at_the_moment_of_decision_decides_nothing(
    lifted_s: int,
) -> None:
    """One reading fails on the way to a suspension, and one on the way back: once each."""
    bench = at_bench(BATCH, released)
    bench.story.lifted(lifted_s / 60).silence(10 / 60).lifted(15).still(20 / 60)
    bench.story.silence(10 / 60).still(15)
    bench.run()

    assert ["began", "suspended", "resumed"] == steps(bench.entries)
    assert (Phase.READY, "mix-1-20260302-1") == (bench.phase, id_of(bench))


def test_water_grows_stale_while_its_probe_is_away() -> None:
    """Good for an hour, and away for two: stale in air, stale after, never ready again."""
    bench = at_bench(SHORT, released)
    first_s = released_s(bench)
    use_by = datetime.fromisoformat(str(bench.snapshot["use_by"]))
    bench.story.lifted(120)
    away = bench.run()

    assert ["verifying", "stale"] == phases(away)
    (_, stale) = of(away, Kind.PHASE)
    assert 0.0 <= (stale.at.wall - use_by).total_seconds() <= 20.0
    bench.story.still(60)
    back = bench.run()

    assert (["resumed"], [], Phase.STALE) == (steps(back), phases(back), bench.phase)
    assert first_s == released_s(bench)


def test_a_power_cut_while_the_probe_is_away_makes_nothing_young() -> None:
    """Off for five hours; air, and the water: to be used by the same minute as before."""
    bench = at_bench(BATCH, released)
    before = bench.snapshot["use_by"]
    bench.story.lifted(7)
    bench.run()
    kept = restore(dump(bench.station.state))
    after_restart(bench, kept, BATCH)
    bench.story.away(5.0, boot="boot-2").lifted(8).still(15)
    said = bench.run()

    assert set(steps(said)) <= {"suspended", "resumed"}
    assert (Phase.READY, "mix-1-20260302-1") == (bench.phase, id_of(bench))
    assert str(before)[:16] == str(bench.snapshot["use_by"])[:16]


def test_nothing_is_released_while_its_probe_is_elsewhere() -> None:
    """A lift before the release: ready comes after the probe is back, and not in air."""
    bench = a_bench(BATCH, a_story().still(6).dissolve(34.0, 12).lifted(60))
    away = bench.run()

    assert "ready" not in phases(away)
    bench.story.still(60)
    assert "ready" == phases(bench.run())[-1]
    assert ["began", "suspended", "resumed"] == steps(bench.entries)


def test_events_of_a_suspension_belong_to_its_batch() -> None:
    """Every event between the lift and the return bears the id of the batch."""
    bench = at_bench(BATCH, released)
    bench.story.lifted(15).still(10)
    said = bench.run()

    assert {"mix-1-20260302-1"} == {
        each.batch for each in said if isinstance(each, Event) and each.kind is Kind.BATCH
    }


def test_water_thinned_below_half_before_it_was_ever_steady_is_asked_about() -> None:
    """Refilled onto a heel four minutes after its salt, in sight of the probe: no release of it."""
    story = Story().still(3).dissolve(36.0, 4).dissolve(10.0, 25, 120.0).dissolve(34.0, 45)
    entries = story.play()

    assert "suspended" in [facts_in(each)["what"] for each in of(entries, Kind.BATCH)]
    assert "ready" not in phases(entries)
    assert "ended" not in [facts_in(each)["what"] for each in of(entries, Kind.BATCH)]
