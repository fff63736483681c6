"""A slice of the campaign of fleets: two stations, for seconds, by real servers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.campaigns.fleet import Outcome, fits, run, shares, together

pytestmark = pytest.mark.server


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Of two provisioned stations that publish twice a second, to broker and database."""
    words = ("--minutes", "0.05", "--period", "0.5", "--seed", "3")
    return run(tmp_path_factory.mktemp("fleet"), 2, words, lambda: None)


def test_every_entry_comes_out_of_the_broker_and_lies_in_the_database(outcome: Outcome) -> None:
    """Counted at a subscriber and in the database, not by who sent them."""
    figures = outcome.figures

    assert (2, 4.0) == (figures["stations"], figures["stated_per_s"])
    assert figures["entries"] >= 12
    assert (0, 0) == (figures["lost"], figures["doubled"])
    assert figures["readings"] == outcome.stored > 0
    assert ["mqtt", "influx"] == [each["sink"] for each in figures["sinks"]]
    assert {(figures["entries"], 0)} == {
        (each["acknowledged"], each["waiting"]) for each in figures["sinks"]
    }
    assert outcome.good


def test_nothing_stays_at_the_broker(outcome: Outcome) -> None:
    """The states that it retained are taken back, so that no screen shows them."""
    assert 0 == outcome.retained_after


def test_what_was_lost_or_left_is_not_good(outcome: Outcome) -> None:
    """The campaign ends with 1 when the database lacks one, or a message is still retained."""
    assert not replace(outcome, stored=outcome.stored - 1).good
    assert not replace(outcome, retained_after=1).good
    assert not replace(outcome, figures={**outcome.figures, "good": False}).good


def test_growth_is_told_as_a_line(outcome: Outcome) -> None:
    """What one station more costs, and how far the line is off."""
    needs = [
        replace(outcome.need, stations=count, broker_mib=8 + count) for count in (10, 100, 500)
    ]

    assert "broker_mib = 8 + 1 a station, off by" in " ".join(fits(needs))


def test_many_stations_are_shared_among_drivers(outcome: Outcome) -> None:
    """Each drives its own; what one of them lost is lost, and the slowest counts."""
    one = {**outcome.figures, "lost": 1, "good": False, "driver_late_s": 9.0}
    both = together([outcome.figures, one])

    assert [["--skip", "0", "--stations", "250"], ["--skip", "250", "--stations", "50"]] == shares(
        300
    )
    assert (4, 1, False, 9.0) == (
        both["stations"], both["lost"], both["good"], both["driver_late_s"],
    )  # fmt: skip
    assert 2 * outcome.figures["entries"] == both["sinks"][0]["acknowledged"]
