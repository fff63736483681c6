"""A seeded slice of the long campaign in `tests/campaigns/releases.py`."""

from __future__ import annotations

import pytest

from tests.campaigns.releases import (
    CORRECTED_LIMIT,
    LANDED_PPT,
    REFUSED_LIMIT,
    RELEASED_OUT_LIMIT,
    Sums,
    campaign,
    learned_ppt,
    lot_campaign,
    sums,
)


@pytest.fixture(scope="module")
def totals() -> Sums:
    """Thirty-six batches, always the same; the campaign has five hundred."""
    return sums([*campaign(36, seed=1)])


def test_what_is_released_is_truly_within_tolerance(totals: Sums) -> None:
    """Of more than thirty releases not one is outside: one in a hundred would be the limit."""
    assert totals.releases > 30
    assert totals.released_out <= RELEASED_OUT_LIMIT * totals.releases


def test_what_is_well_inside_is_released(totals: Sums) -> None:
    """Neither refused nor left open, but for one of some thirty; every batch gets a verdict."""
    assert totals.well_inside > 15
    # Three in a hundred, as of the campaign, are not a whole one of so few.
    assert totals.well_refused + totals.well_open <= max(1.0, REFUSED_LIMIT * totals.well_inside)
    assert totals.inside_refused <= REFUSED_LIMIT * totals.inside
    assert 0 == totals.without_verdict


def test_one_correction_by_the_advice_brings_it_inside(totals: Sums) -> None:
    """Of the batches that needed one, at least 97 in a hundred are truly inside afterwards."""
    assert totals.corrected > 12
    assert totals.corrected_inside >= CORRECTED_LIMIT * totals.corrected


def test_a_probe_that_is_worse_than_is_said_of_it_would_show() -> None:
    """With errors five times as large as stated the same count finds wrong releases."""
    lied = sums([*campaign(9, seed=1, lie=5.0)])

    assert lied.released_out > RELEASED_OUT_LIMIT * lied.releases


def test_after_three_batches_of_a_lot_the_plan_lands_on_target() -> None:
    """Uncorrected and in the median over lots; before anything was learned it did not."""
    landed = [*lot_campaign(3, seed=1)]

    assert learned_ppt(landed) <= LANDED_PPT
    assert learned_ppt([each[:1] for each in landed]) > LANDED_PPT
