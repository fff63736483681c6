"""A seeded slice of the long campaign in `tests/campaigns/probes.py`."""

from __future__ import annotations

import pytest

from tests.campaigns.probes import Result, coverage, percentile_95, run


@pytest.fixture(scope="module")
def results() -> list[Result]:
    """A hundred and fifty probes, always the same; the campaign has a thousand."""
    return run(150, seed=1)


def test_the_truth_lies_inside_the_stated_interval(results: list[Result]) -> None:
    """Of the k = 2 intervals of conductivity 93 to 97 % hold the truth, and so for salinity."""
    assert 0.93 <= coverage([each.off for each in results]) <= 0.97
    assert 0.93 <= coverage([each.salinity_off for each in results]) <= 0.98


def test_half_the_interval_would_not_do(results: list[Result]) -> None:
    """At k = 1 some two thirds are inside, so that the interval is neither wide nor narrow."""
    assert 0.60 <= coverage([each.off for each in results], 0.5) <= 0.76


def test_two_bottles_of_half_a_percent_are_good_for_the_salinity_asked_for(
    results: list[Result],
) -> None:
    """The error of salinity at 33 is at most 0.15 for 95 % of the probes."""
    assert percentile_95(results) <= 0.15


def test_a_check_of_a_sound_probe_agrees_as_often_as_it_should(results: list[Result]) -> None:
    """In a fresh bottle the error is within its expanded uncertainty in 92 to 98 % of checks."""
    assert 0.92 <= coverage([each.en for each in results]) <= 0.98
