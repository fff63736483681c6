"""`brinewright change`: the rate that animals bear, and how many changes lead to a salinity."""

from __future__ import annotations

import json
import math

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import OK, USAGE

TANK = ["change", "--volume", "1000", "--salinity", "37", "--new-salinity", "33"]


def test_changes_to_a_salinity_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """A tenth a time: 4 ppt apart shrink by 0.9 each, so 2 are left after ln 0.5 / ln 0.9."""
    assert OK == invoke([*TANK, "--changed", "100", "--to", "35", "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert math.ceil(math.log(0.5) / math.log(0.9)) == answer["changes"] == len(answer["steps"])
    assert 35.0 >= answer["steps"][-1] > 33.0
    assert 500.0 == pytest.approx(answer["once_l"], abs=2.0)
    assert 1.0 == answer["cautious_ppt_per_day"]
    assert 7 == answer["days"]


def test_a_change_within_the_cautious_rate_is_said_to_be(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The move of one change, and where the limit comes from."""
    assert OK == invoke([*TANK, "--changed", "100"])
    said = " ".join(capsys.readouterr().out.split())

    assert "-0.40 ppt; with one such change a day within 1 ppt per day" in said
    assert "common practice, from memory" in said


def test_a_change_beyond_it_is_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    """Half the tank moves it by two: over two days at least."""
    assert OK == invoke([*TANK, "--changed", "500"])
    said = " ".join(capsys.readouterr().out.split())

    assert "-2.00 ppt; more than 1 ppt per day" in said
    assert "over 2 days or more" in said


@pytest.mark.parametrize(
    "words, warnings",
    [
        (["--changed", "330"], 0),
        (["--changed", "340"], 1),
        (["--changed", "100", "--to", "36"], 0),
        (["--changed", "100", "--to", "35"], 1),
        (["--changed", "340", "--to", "34"], 1),
    ],
    ids=["a third", "more", "a quarter at once", "half at once", "both"],
)
def test_a_large_change_at_once_says_what_it_does_to_animals(
    words: list[str], warnings: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """More than a third of the tank, asked for or offered, is not given without a word."""
    assert OK == invoke([*TANK, *words])
    said = " ".join(capsys.readouterr().out.split())

    assert warnings == said.count("more than a third of the tank")
    assert warnings == said.count("a sudden change stresses animals")


def test_a_large_change_says_so_even_where_salinity_stays(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Temperature, pH and what else the water holds change too."""
    same = ["change", "--volume", "1000", "--salinity", "34", "--new-salinity", "34"]
    assert OK == invoke([*same, "--changed", "500"])

    assert "a sudden change stresses animals" in " ".join(capsys.readouterr().out.split())


def test_a_tank_that_is_there_needs_none(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing to change, and nothing at once either."""
    assert OK == invoke([*TANK, "--changed", "100", "--to", "37", "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert (0, [], 0.0) == (answer["changes"], answer["steps"], answer["once_l"])


@pytest.mark.parametrize(
    "words, part",
    [
        (["--changed", "100", "--to", "38"], "use saltier or fresher water"),
        (["--changed", "100", "--to", "33"], "1000 changes of 100 L do not lead to 33"),
        (["--changed", "0", "--to", "35"], "1000 changes of 0 L"),
        (["--changed", "-1", "--to", "35"], "-1 L cannot be changed"),
        (["--changed", "100", "--to", "3500"], "not to 3500"),
        (["--changed", "100", "--to", "nan"], "not to nan"),
    ],
)
def test_what_cannot_be_reached_is_one_sentence(
    words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, a line on standard error, nothing on standard output."""
    assert USAGE == invoke([*TANK, *words])
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert part in line
