"""`brinewright lot` and plans by a lot: the books, what they have learned, and how sure that is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.cli import command_client
from daemon.cli.main import invoke
from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, USAGE
from daemon.journal.checkpoint import dump
from daemon.journal.writer import Writer
from daemon.mixing.batch import lots
from daemon.mixing.batch.lots import Lot, Weighing
from daemon.mixing.seawater.dosing import outcome, plan
from daemon.mixing.station.station import StationState
from tests.unit.cli.test_cli_batch_commands import service
from tests.unit.cli.test_cli_replay import CONFIG


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration and no journal."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(command_client, "POLL_S", 0.01)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


BLUE = Lot(
    "blue",
    number="B-77",
    bought_g=20_000.0,
    left_g=5_600.0,
    opened_on="2026-02-01",
    weighings=[Weighing(0.0, 0.85, 0.006, f"mix-1-2026030{n}-1") for n in (1, 2, 3)],
)


@pytest.fixture
def kept(folder: Path) -> Path:
    """The same with a journal that keeps a lot that three batches taught, and one unused."""
    keep(folder, dump(StationState(lots={"blue": BLUE, "green": Lot("green", label_yield=0.87)})))
    return folder


def keep(folder: Path, text: str) -> None:
    """Write a kept state into the journal."""
    with Writer(folder / "configured.db") as writer:
        writer.append([], 0.0, {}, text)


def test_a_lot_is_added_listed_shown_and_adjusted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the running service, and read from the journal."""
    words = ["--number", "B-77", "--bought", "20000", "--opened", "2026-02-01"]
    with service(folder) as taken:
        assert OK == invoke(["lot", "add", "blue", *words, "--label-yield", "0.87"])
        assert OK == invoke(["lot", "adjust", "blue", "--left", "7500"])
        assert OK == invoke(["lot", "show", "blue", "--json"])
    *said, shown = capsys.readouterr().out.splitlines()

    assert ["lot blue added", "lot blue: 7500 g left"] == said
    assert {"", "cli"} == {each.reservoir for each in taken} | {each.via for each in taken}
    assert {
        "lot": "blue",
        "number": "B-77",
        "bought_g": 20000.0,
        "left_g": 7500.0,
        "opened_on": "2026-02-01",
        "mix_yield": 0.87,
        "mix_yield_u": 0.02,
        "batches": 0,
        "basis": "label",
    } == json.loads(shown)


@pytest.mark.parametrize(
    "words, part",
    [
        (["add", "blue", "--bought=-5"], "bought_g = -5 is outside 0 to 1e+06"),
        (["add", "blue", "--opened", "May"], "'May' is not a date such as 2026-03-02"),
        (["add", "blue", "--label-yield", "2"], "label_yield = 2 is outside 0.5 to 1"),
        (["add", "  "], "a lot needs a name of your choosing"),
        (["adjust", "red", "--left", "1"], "there is no lot 'red'; known are none"),
    ],
)
def test_what_cannot_be_in_the_books_is_one_sentence(
    folder: Path, words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1, on standard error."""
    with service(folder):
        assert NOT_SO == invoke(["lot", *words])
    said = capsys.readouterr()

    assert ("", 1) == (said.out, len(said.err.splitlines()))
    assert part in said.err


def test_the_list_says_what_is_left_and_what_it_yields(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line a lot, no wider than the screen."""
    assert OK == invoke(["lot", "list"])
    said = capsys.readouterr().out
    joined = " ".join(said.split())

    assert "blue B-77 5600 g 0.850 ± 0.008 (k=2, learned, 3 batches)" in joined
    assert "green - not recorded 0.870 ± 0.040 (k=2, label)" in joined
    assert max(map(len, said.splitlines())) <= 80


def test_one_lot_is_shown_with_the_batches_that_taught_it(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with what it showed."""
    assert OK == invoke(["lot", "show", "blue"])
    said = " ".join(capsys.readouterr().out.split())

    assert "mix-1-20260302-1 gave 0.850 ± 0.012 (k=2)" in said
    assert "bought 20000 g" in said


def test_lots_kept_by_another_version_are_known(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An update does not empty the books."""
    raw = json.loads(dump(StationState(lots={"blue": BLUE})))
    keep(folder, json.dumps({**raw, "shape": "another"}))

    assert OK == invoke(["lot", "show", "blue", "--json"])
    assert 3 == json.loads(capsys.readouterr().out)["batches"]


@pytest.mark.parametrize(
    "words, code, part",
    [
        (["lot", "show", "red"], NOT_SO, "red"),
        (
            ["plan", "--volume", "10", "--target", "33", "--lot", "red"],
            NOT_SO,
            "there is no lot 'red'; known are blue, green",
        ),
    ],
)
def test_a_lot_that_is_not_there_is_named(
    kept: Path, words: list[str], code: int, part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 with a sentence."""
    assert code == invoke(words)
    said = capsys.readouterr()

    assert "" == said.out
    assert part in said.err


def test_without_a_journal_there_are_no_books(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 69."""
    for words in (["lot", "list"], ["lot", "show", "blue"], ["lot", "add", "blue"]):
        assert UNAVAILABLE == invoke(words)
    assert 3 == len(capsys.readouterr().err.splitlines())


def test_an_empty_book_says_how_to_begin(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 1 for a person, and no line for a program."""
    keep(folder, dump(StationState()))

    assert NOT_SO == invoke(["lot", "list"])
    assert "see 'brinewright lot add'" in capsys.readouterr().err
    assert OK == invoke(["lot", "list", "--json"])
    assert "" == capsys.readouterr().out


# --- plans --------------------------------------------------------------------------------------

PLAN = ["plan", "--volume", "180", "--target", "34", "--lot", "blue"]


def test_a_plan_by_a_lot_uses_what_it_has_learned(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The grams are those of the learned yield, and both uncertainties are said."""
    known = lots.estimate(BLUE, 0.0)
    assert OK == invoke([*PLAN, "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert round(known.value, 4) == answer["mix_yield"]
    assert known.u == answer["mix_yield_u"]
    assert plan(180.0, 34.0, round(known.value, 4)).salt_g == answer["salt_g"]
    assert lots.dose_u(34.0, known) == pytest.approx(answer["salinity_u"], rel=1e-3)
    # What the dose makes when the salt yields a standard uncertainty more than was thought.
    moved = outcome(180.0, 0.0, answer["salt_g"], 0.0, known.value + known.u).salinity - 34.0
    assert moved == pytest.approx(answer["salinity_u"], rel=0.06)


def test_a_person_reads_how_sure_a_plan_is(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Yield and salinity, each with what it is worth."""
    assert OK == invoke(PLAN)
    said = " ".join(capsys.readouterr().out.split())

    assert "salt content 0.8503 (lot blue, ± 0.008 (k=2), learned from 3 batches)" in said
    assert "± 0.32 ppt (k=2) from the salt content alone" in said


def test_a_heel_is_sure_and_only_the_mix_is_not(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of the salt from the heel halves what the yield leaves open."""
    heel = ["--heel-volume", "90", "--heel-salinity", "34"]
    assert OK == invoke([*PLAN, "--json"])
    assert OK == invoke([*PLAN, *heel, "--json"])
    whole, half = map(json.loads, capsys.readouterr().out.splitlines())

    assert whole["salinity_u"] / 2 == pytest.approx(half["salinity_u"], rel=0.03)


def test_a_given_yield_has_no_uncertainty_to_tell(capsys: pytest.CaptureFixture[str]) -> None:
    """Who gives it must know how good it is; habit is told to be poor."""
    assert OK == invoke([*PLAN[:5], "--yield", "0.9", "--json"])
    assert OK == invoke([*PLAN[:5], "--json"])
    given, habit = map(json.loads, capsys.readouterr().out.splitlines())

    assert (None, None) == (given["mix_yield_u"], given["salinity_u"])
    assert (lots.COMMON_CONTENT_U, True) == (habit["mix_yield_u"], habit["salinity_u"] > 1.0)


def test_a_correction_by_a_lot_says_the_same(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A small addition is surer than a whole batch; water is not unsure by the salt at all."""
    words = ["correct", "--volume", "180", "--target", "34", "--lot", "blue", "--json"]
    assert OK == invoke([*words, "--salinity", "31"])
    assert OK == invoke([*words, "--salinity", "36"])
    salted, thinned = map(json.loads, capsys.readouterr().out.splitlines())

    assert 0.0 < salted["salinity_u"] < 0.05
    assert 0.0 == pytest.approx(thinned["salinity_u"], abs=1e-9)
    assert USAGE == invoke([*words, "--salinity", "31", "--yield", "0.9"])
