"""Lots of salt: what is recorded of them, what is left, and what their batches teach."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pydantic import TypeAdapter

from daemon.mixing.batch.lots import (
    COMMON_CONTENT_U,
    FLOOR_U,
    LABEL_U,
    WEIGHINGS_KEPT,
    Lot,
    SaltContent,
    Weighing,
    dose_u,
    estimate,
    learn,
    low,
    set_left,
    take,
    weighed,
)
from daemon.mixing.seawater import dosing

DAY_S = 86_400.0


def lot_of(*yields: float, gap_days: float = 7.0, u: float = 0.01) -> Lot:
    """A lot with one weighing per yield, `gap_days` apart from time 0."""
    lot = Lot("blue-7")
    for number, value in enumerate(yields):
        learn(lot, Weighing(number * gap_days * DAY_S, value, u, f"mix-1-{number}"))
    return lot


def test_an_unknown_lot_follows_common_practice() -> None:
    """Before any batch and without a label the yield is a habit, and said to be one."""
    assert SaltContent(0.881, COMMON_CONTENT_U, 0, "common practice") == estimate(
        Lot("blue-7"), 0.0
    )


def test_a_label_is_trusted_until_a_batch_says_more() -> None:
    """The label's yield stands in the place of the habit, and is surer."""
    assert SaltContent(0.92, LABEL_U, 0, "label") == estimate(Lot("blue-7", label_yield=0.92), 0.0)


def test_a_batch_moves_the_estimate_towards_what_it_showed() -> None:
    """One weighing counts for more than the habit, and leaves less uncertainty."""
    found = estimate(lot_of(0.86), 0.0)

    assert 0.86 < found.value < 0.865
    assert (1, "learned") == (found.count, found.basis)
    assert found.u < COMMON_CONTENT_U / 2


def test_recent_batches_count_more() -> None:
    """A lot that takes up moisture is followed: the estimate lies nearer the newer batches."""
    weaker = lot_of(0.89, 0.89, 0.89, 0.87, 0.87, 0.87, gap_days=30.0)
    stronger = lot_of(0.87, 0.87, 0.87, 0.89, 0.89, 0.89, gap_days=30.0)
    now = 150 * DAY_S

    assert estimate(weaker, now).value < 0.878
    assert estimate(stronger, now).value > 0.882


def test_uncertainty_grows_while_nothing_is_learned() -> None:
    """A lot that stood open for months is known less well than after its last batch."""
    lot = lot_of(0.87, 0.87, 0.87)

    assert estimate(lot, 200 * DAY_S).u > 1.5 * estimate(lot, 14 * DAY_S).u


def test_no_number_of_batches_makes_it_surer_than_the_floor() -> None:
    """What every batch has in common, such as the calibration, is never averaged away."""
    lot = lot_of(*[0.87] * 40, gap_days=0.0)

    assert FLOOR_U == estimate(lot, 0.0).u
    assert WEIGHINGS_KEPT == len(lot.weighings)


@pytest.mark.parametrize("order", [0, 1, 2])
@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_one_bad_weighing_among_three_hardly_matters(order: int, factor: float) -> None:
    """A weight that is 10 % wrong moves the estimate by less than 1 %, whenever it came."""
    yields = [0.87, 0.87, 0.87]
    yields[order] *= factor
    now = 14 * DAY_S

    assert 0.87 == pytest.approx(estimate(lot_of(*yields), now).value, rel=0.01)


def test_the_same_batch_teaches_once() -> None:
    """A batch that is released again replaces what it taught before."""
    lot = lot_of(0.90)
    learn(lot, Weighing(9.0, 0.86, 0.01, "mix-1-0"))

    assert [Weighing(9.0, 0.86, 0.01, "mix-1-0")] == lot.weighings


def test_a_batch_shows_the_yield_that_made_it() -> None:
    """Salt, water and salinity give the yield back, with uncertainty from all three."""
    made = dosing.plan(180.0, 34.0, 0.86)
    found = weighed(5.0, "mix-1-1", made.salt_g, 180.0, made.salinity, 0.15)
    surer = weighed(5.0, "mix-1-1", made.salt_g, 180.0, made.salinity, 0.01)

    assert 0.86 == pytest.approx(found.mix_yield, abs=1e-9)
    # Shares in quadrature by hand: salinity 0.15/34 = 0.44 %, mass 0.5 %, volume 1 %: 1.20 %.
    assert 0.0120 == pytest.approx(found.u / found.mix_yield, rel=0.05)
    assert 0.0112 == pytest.approx(surer.u / surer.mix_yield, rel=0.05)


def test_a_heel_is_not_taken_for_salt_of_the_lot() -> None:
    """Salt that was in the water before teaches nothing about the mix, but adds uncertainty."""
    made = dosing.plan(180.0, 34.0, 0.86, heel_volume_l=60.0, heel_salinity=33.0)
    before = dosing.outcome(60.0, 33.0, purified_water_l=120.0).salinity
    found = weighed(0.0, "mix-1-1", made.salt_g, 180.0, 34.0, 0.15, before)
    bare = weighed(0.0, "mix-1-2", dosing.plan(180.0, 34.0, 0.86).salt_g, 180.0, 34.0, 0.15)

    assert 0.86 == pytest.approx(found.mix_yield, abs=5e-4)
    assert found.u > bare.u


def test_a_plan_is_as_sure_as_its_yield() -> None:
    """A yield of 0.88 ± 0.0088 leaves 1 % of the salinity open, less of what the heel brings."""
    known = SaltContent(0.88, 0.0088, 3, "learned")

    assert 0.34 == pytest.approx(dose_u(34.0, known))
    assert 0.24 == pytest.approx(dose_u(34.0, known, from_heel=10.0))


def test_uncertainty_of_a_plan_is_what_another_yield_would_have_made() -> None:
    """Its size agrees with carrying the plan out with a mix one standard uncertainty stronger."""
    known = SaltContent(0.87, 0.008, 3, "learned")
    dose = dosing.plan(180.0, 34.0, known.value)
    stronger = dosing.outcome(180.0, 0.0, dose.salt_g, 0.0, known.value + known.u).salinity

    assert stronger - 34.0 == pytest.approx(dose_u(34.0, known), rel=1e-3)


def test_stock_goes_down_to_nothing_and_no_further() -> None:
    """What is taken is subtracted; a bag is never left with less than nothing."""
    lot = Lot("blue-7", bought_g=25_000.0, left_g=9000.0)
    take(lot, 7000.0)
    assert 2000.0 == lot.left_g
    take(lot, 7000.0)
    assert 0.0 == lot.left_g


def test_an_unrecorded_stock_stays_unrecorded() -> None:
    """Nothing is counted, and nothing is low, where nobody said what there was."""
    lot = Lot("blue-7")
    take(lot, 7000.0)

    assert lot.left_g is None
    assert not low(lot, 7000.0)


@pytest.mark.parametrize("left", [0.0, 6999.0])
def test_stock_is_low_when_the_next_batch_needs_more(left: float) -> None:
    """One gram short of a batch is low."""
    assert low(Lot("blue-7", left_g=left), 7000.0)


def test_enough_for_one_batch_is_enough() -> None:
    """Exactly what the next batch needs is not low."""
    assert not low(Lot("blue-7", left_g=7000.0), 7000.0)


def test_a_weighed_bag_corrects_the_stock() -> None:
    """What the scale says stands, and a bag that holds more than was bought was bought larger."""
    lot = Lot("blue-7", bought_g=20_000.0, left_g=1.0)
    set_left(lot, 21_000.0)

    assert (21_000.0, 21_000.0) == (lot.bought_g, lot.left_g)


@pytest.mark.parametrize(
    "facts, part",
    [
        ({"name": " "}, "a lot needs a name"),
        ({"bought_g": -1.0}, "the mass bought of lot 'blue-7', -1 g"),
        ({"left_g": math.nan}, "the mass left of lot 'blue-7', nan g"),
        ({"bought_g": 5.0, "left_g": 6.0}, "cannot have 6 g left of 5 g"),
        ({"label_yield": 1.2}, "1.2, is outside 0.5 to 1"),
        ({"label_yield": math.nan}, "nan, is outside 0.5 to 1"),
        ({"opened_on": "last week"}, "'last week' is not a date such as 2026-03-02"),
    ],
)
def test_a_lot_that_cannot_be_is_refused_in_a_sentence(facts: dict[str, Any], part: str) -> None:
    """Each wrong value is named with what is allowed."""
    with pytest.raises(ValueError, match=r"^[^\n]+$") as caught:
        Lot(**{"name": "blue-7", **facts})

    assert part in str(caught.value)


@pytest.mark.parametrize("mix_yield, u", [(0.4, 0.01), (1.1, 0.01), (math.nan, 0.01), (0.9, 0.0)])
def test_a_weighing_that_cannot_be_is_refused(mix_yield: float, u: float) -> None:
    """A batch whose numbers contradict one another teaches nothing."""
    with pytest.raises(ValueError, match="batch mix-1-1 shows a yield"):
        Weighing(0.0, mix_yield, u, "mix-1-1")


@pytest.mark.parametrize("grams", [-1.0, math.nan, math.inf])
def test_a_mass_that_is_none_is_refused(grams: float) -> None:
    """Neither taking, correcting nor asking takes a negative or endless mass."""
    lot = Lot("blue-7", left_g=5.0)
    for act in (take, set_left, low):
        with pytest.raises(ValueError, match="outside 0 to"):
            act(lot, grams)

    assert 5.0 == lot.left_g


def test_a_lot_survives_being_written_down() -> None:
    """The station's snapshot gives back the same lot."""
    lot = lot_of(0.87, 0.88)
    lot.opened_on = "2026-03-02"
    kept = TypeAdapter(Lot)

    assert lot == kept.validate_json(kept.dump_json(lot))


def test_of_forty_batches_the_twenty_newest_are_kept() -> None:
    """Numbers 20 to 39, the oldest first, also where they were taught out of order."""
    lot = Lot("blue-7")
    for number in [*range(0, 40, 2), *range(1, 40, 2)]:
        learn(lot, Weighing(number * DAY_S, 0.86, 0.01, f"mix-1-{number}"))

    assert [f"mix-1-{number}" for number in range(20, 40)] == [each.batch for each in lot.weighings]
