"""`brinewright plan`, `correct` and `change`: what is said, and what is refused."""

from __future__ import annotations

import json

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import CONFIG, NOT_SO, OK, USAGE

TEN = ["plan", "--volume", "10", "--target", "33"]


def test_ten_litres_for_33_take_390_grams(capsys: pytest.CaptureFixture[str]) -> None:
    """Grams, water, what it makes, the vessel and the cautions are all said."""
    assert OK == invoke([*TEN, "--yield", "0.881"])
    said = capsys.readouterr().out

    assert "390 g of mix, salt content 0.881 (as given)" in said
    assert "10 L of purified water" in said
    assert "salinity 33.00" in said
    assert "20.3 L, twice the batch" in said
    assert "never water onto salt" in " ".join(said.split())
    assert "weigh 10 kg" in said
    assert "dust" in said
    assert max(len(line) for line in said.splitlines()) <= 80


def test_json_holds_the_facts_alone(capsys: pytest.CaptureFixture[str]) -> None:
    """A program gets grams and litres, and is told that the yield is a habit."""
    assert OK == invoke([*TEN, "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert 390.0 == pytest.approx(answer["salt_g"], abs=1.0)
    assert 10.0 == answer["purified_water_l"]
    assert "common practice, no source" == answer["yield_source"]
    assert answer["headroom_l"] is None


def test_a_heel_is_counted(capsys: pytest.CaptureFixture[str]) -> None:
    """Water left over is part of the volume and brings its salt."""
    heel = ["--heel-volume", "3", "--heel-salinity", "33"]
    assert OK == invoke([*TEN, *heel])

    said = capsys.readouterr().out
    assert "273 g of mix" in said
    assert "7 L of purified water onto 3 L of heel at 33" in said


@pytest.mark.parametrize(
    "capacity, code, part",
    [
        ("9", NOT_SO, "9 L is too small: 1.14 L would run over"),
        ("12", OK, "12 L holds it with 1.86 L to spare; one of about 20.3 L"),
        ("25", OK, "25 L holds it with 14.9 L to spare, room enough"),
    ],
)
def test_the_vessel_is_judged(
    capacity: str, code: int, part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A vessel that would run over gives exit 1, a tight one advice."""
    assert code == invoke([*TEN, "--capacity", capacity])

    assert part in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "words, code, part",
    [
        (["--volume", "-10", "--target", "33"], USAGE, "a volume of -10 L"),
        (["--volume", "inf", "--target", "33"], USAGE, "a volume of inf L"),
        (["--volume", "10", "--target", "3500"], USAGE, "3500 is outside 0 to 42"),
        ([*TEN[1:], "--yield", "2"], USAGE, "a yield of 2"),
        ([*TEN[1:], "--lot", "blue-7", "--config", "absent.toml"], CONFIG, "absent.toml"),
        ([*TEN[1:], "--lot", "blue-7", "--yield", "0.9"], USAGE, "give one of them"),
        ([*TEN[1:], "--heel-volume", "11"], USAGE, "more than the 10 L"),
        ([*TEN[1:], "--heel-volume", "9", "--heel-salinity", "40"], USAGE, "less heel"),
        ([*TEN[1:], "--capacity", "0"], USAGE, "a capacity of 0 L"),
        ([*TEN[1:], "--temperature", "77"], USAGE, "temperature 77 °C"),
        (["--volume", "10"], USAGE, "--target"),
    ],
)
def test_wrong_input_is_one_sentence(
    words: list[str], code: int, part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What cannot be planned is refused in one line on standard error."""
    assert code == invoke(["plan", *words])
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert line.startswith("brinewright: ")
    assert part in line


def test_a_correction_is_salt_or_water(capsys: pytest.CaptureFixture[str]) -> None:
    """Too salty takes purified water, not salty enough takes mix."""
    where = ["correct", "--volume", "100", "--target", "35"]
    assert OK == invoke([*where, "--salinity", "36"])
    thinned = capsys.readouterr().out
    assert OK == invoke([*where, "--salinity", "34"])
    salted = capsys.readouterr().out
    assert OK == invoke([*where, "--salinity", "34", "--json"])

    assert "2.93 L of purified water" in thinned
    assert "g of mix" in salted
    assert 0.0 == json.loads(capsys.readouterr().out)["purified_water_l"]


@pytest.mark.parametrize(
    "salinity, first", [("36", "2.35 L of purified water"), ("34", "97.2 g of salt mix")]
)
def test_a_correction_is_given_in_steps(
    salinity: str, first: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four fifths by its own figure, then a measurement, then the rest; salt with its cautions."""
    where = ["correct", "--volume", "100", "--target", "35", "--salinity", salinity]
    assert OK == invoke(where)
    out = capsys.readouterr().out
    said = " ".join(out.split())
    assert OK == invoke([*where, "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert f"first {first}, about four fifths (common practice, no source)" in said
    assert "wait until it is steady, measure, and work out the rest again" in said
    assert ("dust" in said) == ("never water onto salt" in said) == (salinity == "34")
    for part, whole in (("first_salt_g", "salt_g"), ("first_water_l", "purified_water_l")):
        assert answer[part] == pytest.approx(0.8 * answer[whole])
    assert max(map(len, out.splitlines())) <= 80


def test_a_small_correction_is_given_in_one_step(capsys: pytest.CaptureFixture[str]) -> None:
    """Less than 0.1 ppt is not worth splitting, and it is said why."""
    where = ["correct", "--volume", "100", "--target", "35", "--salinity", "34.95"]
    assert OK == invoke(where)
    said = " ".join(capsys.readouterr().out.split())
    assert OK == invoke([*where, "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert "in one step, as it is less than 0.1 ppt" in said
    assert "four fifths" not in said
    assert answer["first_salt_g"] == answer["salt_g"]


def test_a_water_change_says_where_the_tank_ends(capsys: pytest.CaptureFixture[str]) -> None:
    """A fifth changed for water three lower lowers the tank by about a fifth of three."""
    words = ["--volume", "100", "--salinity", "36", "--changed", "20", "--new-salinity", "33"]
    assert OK == invoke(["change", *words])

    assert "36 -> 35.40" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        ["correct", "--volume", "0", "--salinity", "30", "--target", "35"],
        ["correct", "--volume", "10", "--salinity", "30", "--target", "0"],
        ["change", "--volume", "10", "--salinity", "30", "--changed", "11", "--new-salinity", "3"],
    ],
)
def test_what_cannot_be_corrected_or_changed_is_one_sentence(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """The other verbs refuse as plan does."""
    assert USAGE == invoke(words)

    assert 1 == len(capsys.readouterr().err.splitlines())
