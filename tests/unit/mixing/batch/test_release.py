"""Release or refusal: what the salinity proves, what else is asked, and what would decide it."""

from __future__ import annotations

import re
from dataclasses import replace

import gsw
import pytest

from daemon.entries import JSON, Event, Kind
from daemon.mixing.batch.batch_state import BatchSettings, BatchState, Judgement, SecondReading
from daemon.mixing.batch.release import disagreement, judge, pending
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, advice, last_phase
from tests.parts.stories import BATCH, SALT_SHARE, number, of, phases

NEEDS_LOOK = replace(BATCH, needs_confirmation=True)
NEEDS_SECOND = replace(BATCH, needs_second_reading=True)
WARM = replace(BATCH, temperature_range_C=(25.0, 27.0))


# --- what salinity alone decides ----------------------------------------------------------------


def test_surely_inside_is_ready() -> None:
    """The release says with which figures it was decided, and how probable it is."""
    bench = a_batch(34.0)
    released = last_phase(bench.entries)

    assert "ready" == bench.phase
    assert re.fullmatch(
        r"34\.0\d ± 0\.\d\d ppt \(k=2\) is within 33 to 35 ppt", str(facts_in(released)["why"])
    )
    assert number(released, "probability") > 0.99
    assert "" == bench.advice


@pytest.mark.parametrize("salinity, sign", [(31.0, 1), (37.0, -1)])
def test_surely_outside_says_what_brings_it_there(salinity: float, sign: int) -> None:
    """The grams or litres advised lead to the target, by a balance with gsw's densities."""
    bench = a_batch(salinity)
    (told,) = of(bench.entries, Kind.ADVICE)
    salt_g, water_l = number(told, "salt_g"), number(told, "water_l")
    mass_g = 180.0 * float(gsw.rho(salinity * SALT_SHARE * 1000.0, 25.0, 0.0))
    salts_g = mass_g * salinity * SALT_SHARE + 0.881 * salt_g
    reached = salts_g / (mass_g + salt_g + 997.05 * water_l) / SALT_SHARE

    assert "off_target" == bench.phase
    assert 34.0 == pytest.approx(reached, abs=0.1)
    assert (salt_g > 0.0) == (sign > 0)
    assert (salt_g > 0.0) != (water_l > 0.0)
    assert {"batch-off-target"} == bench.alarms


def test_undecided_says_the_probability_and_what_would_decide() -> None:
    """Verifying, with the bounds within which this probe could prove it."""
    bench = a_batch(33.05)

    assert "verifying" == bench.phase
    found = re.search(r"probability (0\.\d\d), release needs 0\.95: bring it between", bench.advice)
    assert found is not None
    assert 0.05 < float(found[1]) < 0.95
    assert "or calibrate the probe so that it proves more" in bench.advice


def test_the_probability_in_the_advice_is_the_present_one() -> None:
    """Said once as an event, but kept up to date where it is looked up."""
    state = BatchState(judgement=Judgement(salinity=33.05, salinity_u=0.2))
    first = judge(state, 0.0, BATCH)
    state.judgement.salinity = 33.2
    again = judge(state, 60.0, BATCH)

    assert 1 == len([each for each in first if each.body.kind is Kind.ADVICE])
    assert [] == again
    assert f"probability {state.judgement.probability:.2f}" in state.advice.text


# --- a second instrument ------------------------------------------------------------------------


def test_an_independent_reading_confirms_and_is_not_averaged() -> None:
    """What the probe cannot prove stays undecided, however sure the other instrument claims to be.

    The value and its uncertainty are those of the probe, to the last digit.
    """
    bench = a_batch(33.3, probe_percent=1.0)
    before = bench.advice
    assert "verifying" == bench.phase
    said = bench.answer("batch.reading", salinity=33.7, u_ppt=0.1, instrument="lab")

    assert "33.70 ppt taken; it agrees with the probe" in said
    assert "verifying" == bench.phase
    assert before == bench.advice


def test_instruments_that_disagree_block_release_by_how_much() -> None:
    """The right salinity is not released while another instrument says 36."""
    bench = a_batch(settings=NEEDS_SECOND)
    assert "a reading of an independent instrument is wanted" in bench.advice
    said = bench.answer("batch.reading", salinity=36.0, u_ppt=0.2, instrument="refractometer 2")

    assert "refractometer 2 reads +2.0" in said
    assert "verifying" == bench.phase
    assert "find out which is wrong" in bench.advice
    bench.answer("batch.reading", salinity=34.1, u_ppt=0.2, instrument="refractometer 2")
    assert "ready" == bench.phase


def test_a_disagreement_after_release_that_is_read_twice_takes_it_back() -> None:
    """Nothing is ready of which two instruments say different things; a better look releases it."""
    bench = a_batch()
    bench.answer("batch.reading", salinity=31.0, u_ppt=0.2)
    said = bench.answer("batch.reading", salinity=31.1, u_ppt=0.2)
    assert "verifying" == bench.phase
    assert "-2.9" in said
    bench.story.still(5)
    bench.run()
    assert "verifying" == bench.phase
    bench.answer("batch.reading", salinity=33.9, u_ppt=0.2)

    assert "ready" == bench.phase


def test_a_disagreement_over_a_refused_batch_comes_before_its_correction() -> None:
    """Nobody should pour salt on the word of a probe that another instrument contradicts."""
    bench = a_batch(31.0)
    bench.answer("batch.reading", salinity=34.0, u_ppt=0.2, instrument="lab")

    assert "off_target" == bench.phase
    assert bench.advice.startswith("lab reads +3.0")
    assert "; only then add" in bench.advice


def test_a_reading_that_contradicts_a_refusal_is_named_and_releases_nothing() -> None:
    """Off target by the probe stays so; the difference is to be cleared up before any salt."""
    bench = a_batch(32.4)
    assert "off_target" == bench.phase
    bench.answer("batch.reading", salinity=33.9, u_ppt=0.15)

    assert "off_target" == bench.phase
    assert "find out which is wrong" in bench.advice


def test_hydrometer_and_refractometer_are_converted() -> None:
    """At the sample's temperature: densities by gsw, the index by Quan and Fry (1995)."""
    dense, pure = (float(gsw.rho_t_exact(s * SALT_SHARE * 1000.0, 20.0, 0.0)) for s in (34.0, 0.0))
    index = (
        1.31405
        + (1.779e-4 - 1.05e-6 * 20.0 + 1.6e-8 * 20.0**2) * 34.0
        - 2.02e-6 * 20.0**2
        + (15.868 + 0.01155 * 34.0 - 0.00423 * 20.0) / 589.26
        - 4382.0 / 589.26**2
        + 1.1455e6 / 589.26**3
    )
    bench = a_batch()
    by_gravity = bench.answer(
        "batch.reading", specific_gravity=dense / pure, hydrometer="20/20", temperature_C=20.0
    )
    by_index = bench.answer("batch.reading", refractive_index=index, temperature_C=20.0)

    assert by_gravity.startswith(("34.00", "33.99", "34.01"))
    assert by_index.startswith(("34.00", "33.99", "34.01"))
    assert "needs temperature_C" in bench.answer("batch.reading", refractive_index=index)


# --- temperature and confirmation ---------------------------------------------------------------


def test_a_batch_too_cold_is_released_by_itself_once_it_is_warm() -> None:
    """Nobody has to ask: it is judged again each minute while it waits."""
    bench = a_batch(settings=WARM)
    assert "verifying" == bench.phase
    assert "temperature is 24.0 °C, wanted 25 to 27 °C" in bench.advice
    bench.story.still(3)
    bench.run(warmth_C=24.6)
    assert ("verifying", True) == (bench.phase, "24.6 °C" in bench.advice)
    bench.story.still(3)
    said = bench.run(warmth_C=25.4)

    assert ["ready"] == phases(said)
    assert 1 == len(advice(bench.entries))


def test_confirmation_is_waited_for_and_releases_at_once() -> None:
    """The command itself brings the release, in its own answer."""
    bench = a_batch(settings=NEEDS_LOOK)
    bench.story.still(30)
    bench.run()
    assert "verifying" == bench.phase
    assert "a person must confirm that the water is clear" in bench.advice
    said = bench.send("batch.confirm")

    assert ["ready"] == phases(said)
    assert "confirmed; batch mix-1-20260302-1 is ready" in str(said[0])


def test_a_confirmation_of_other_water_does_not_count() -> None:
    """Salt added after it needs another look."""
    bench = a_batch(33.05, NEEDS_LOOK)
    bench.answer("batch.confirm")
    bench.story.dissolve(34.0)
    bench.run()

    assert "verifying" == bench.phase
    bench.answer("batch.confirm")
    assert "ready" == bench.phase


def test_all_that_is_waited_for_is_listed_at_once() -> None:
    """Each with its own sentence."""
    waits = pending(
        BatchState(judgement=Judgement(salinity=34.0, salinity_u=0.1), temperature_C=None),
        replace(WARM, needs_confirmation=True, needs_second_reading=True),
    )

    assert ["temperature", "confirmation", "second reading"] == [*waits]
    assert "temperature is unknown, wanted 25 to 27 °C" == waits["temperature"]


def test_a_batch_released_again_is_as_old_as_its_water() -> None:
    """Thinned a little after its release and steady again, it has grown no younger."""
    bench = a_batch(settings=replace(BATCH, use_within_h=2.0))
    bench.story.dissolve(33.6)
    said = bench.run()

    assert ["dissolving", "verifying", "ready"] == phases(said)
    released = [
        each.at.wall for each in of(bench.entries, Kind.PHASE) if facts_in(each)["to"] == "ready"
    ]
    assert ["08:20", "09:09"] == [f"{each:%H:%M}" for each in released]
    # At 9:33 the water is 72 min old, and at 10:20 it is stale.
    assert 1.207 == pytest.approx(bench.snapshot["age_h"], abs=0.003)
    bench.story.still(46)
    assert [] == phases(bench.run())
    bench.story.still(2)
    assert ["stale"] == phases(bench.run())


# --- stale --------------------------------------------------------------------------------------

SHORT_LIVED = replace(BATCH, use_within_h=1.0)


def a_stale_batch(settings: BatchSettings = SHORT_LIVED) -> Bench:
    """One that was released and has grown too old."""
    bench = a_batch(settings=settings)
    bench.story.still(70)
    bench.run()
    assert "stale" == bench.phase
    return bench


def test_a_stale_batch_is_not_ready_again_by_itself() -> None:
    """Not after hours of readings that are right."""
    bench = a_stale_batch()
    bench.story.still(180)
    bench.run()

    assert "stale" == bench.phase


def test_not_through_a_disturbance_either() -> None:
    """Thinned, called steady again and inside again, it still waits for a person."""
    bench = a_stale_batch()
    bench.story.dissolve(33.6)
    said = bench.run()

    assert ["dissolving", "verifying", "stale"] == phases(said)
    assert "mix it and confirm it to have it verified again" in bench.advice
    bench.answer("batch.confirm")
    assert "ready" == bench.phase


def test_confirming_a_stale_batch_verifies_it_again() -> None:
    """From what the probe says now, with an age that begins again."""
    bench = a_stale_batch()
    said = bench.send("batch.confirm")

    assert ["verifying", "ready"] == phases(said)
    assert 0.0 == bench.snapshot["age_h"]
    assert "batch-stale" in bench.alarms
    bench.story.still(1)
    bench.run()
    assert "batch-stale" not in bench.alarms


def test_a_stale_batch_that_has_changed_is_not_released_by_a_confirmation() -> None:
    """Evaporated slowly beyond the limit, it is off target."""
    bench = a_stale_batch(replace(SHORT_LIVED, tolerance_ppt=0.5))
    bench.station.state.reservoirs["mix-1"].level.medians[:] = [35.0] * 30
    said = bench.send("batch.confirm")

    assert ["verifying", "off_target"] == phases(said)


def test_an_old_second_reading_vouches_for_nothing() -> None:
    """A stale batch needs a new one where one is needed."""
    bench = a_batch(settings=replace(NEEDS_SECOND, use_within_h=1.0))
    bench.answer("batch.reading", salinity=34.0)
    assert "ready" == bench.phase
    bench.story.still(70)
    bench.run()
    bench.answer("batch.confirm")

    assert "verifying" == bench.phase
    assert "independent instrument is wanted" in bench.advice


def test_a_confirmation_without_readings_waits_for_some() -> None:
    """What the probe said hours ago releases nothing; its next minutes do."""
    bench = a_stale_batch()
    bench.story.silence(20)
    bench.run()
    bench.answer("batch.confirm")
    assert ("verifying", True) == (bench.phase, "until there are readings" in bench.advice)
    bench.story.still(4)
    bench.run()

    assert "ready" == bench.phase


# --- together ------------------------------------------------------------------------------------


@pytest.mark.parametrize("apart, blocks", [(0.5, False), (0.9, True), (-0.9, True)])
def test_two_instruments_may_differ_by_what_both_are_worth(apart: float, *, blocks: bool) -> None:
    """Twice the root of 0.3² and 0.2² is 0.72."""
    state = BatchState(
        judgement=Judgement(salinity=34.0, salinity_u=0.3),
        second=SecondReading(34.0 + apart, 0.2, "hydrometer"),
    )

    assert blocks == bool(disagreement(state))
    assert not blocks or "0.72 ppt" in disagreement(state)


def test_no_release_while_anything_is_pending() -> None:
    """Whatever the order, each condition alone keeps a batch from being ready."""
    demanding = replace(NEEDS_LOOK, needs_second_reading=True)
    for order in (("batch.confirm", "batch.reading"), ("batch.reading", "batch.confirm")):
        bench = a_batch(settings=demanding)
        for verb in order:
            assert "verifying" == bench.phase
            facts: dict[str, JSON] = {"salinity": 34.0} if verb == "batch.reading" else {}
            bench.answer(verb, "mix-1", **facts)
        assert "ready" == bench.phase
        assert all(isinstance(event, Event) for event in of(bench.entries, Kind.COMMAND))


@pytest.mark.parametrize("salinity", [43.0, 55.0, 68.0])
def test_water_off_the_scale_has_a_figure_and_is_advised_water(salinity: float) -> None:
    """Salted twice: extrapolated, marked suspect, refused, and told how much water it takes."""
    bench = a_batch(salinity, minutes=100.0)
    shown = bench.snapshot["salinity"]
    assert isinstance(shown, float)

    assert "off_target" == bench.phase
    assert shown == pytest.approx(salinity, abs=0.1)
    assert 3 == bench.snapshot["flag"]
    assert "L of purified water would make" in bench.advice
    assert {"batch-off-target"} == bench.alarms
