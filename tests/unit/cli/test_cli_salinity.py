"""`brinewright salinity` and what every command shares: help, JSON, faults, exit codes."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.cli import output
from daemon.cli.main import invoke

BOTH = ["--conductivity", "42", "--temperature", "15"]
STANDARD = ["salinity", "--conductivity", "42.914", "--temperature", "15"]


def test_salinity_is_printed_with_gravity_and_density(capsys: pytest.CaptureFixture[str]) -> None:
    """A person reads practical salinity, specific gravity with its pair, and density."""
    assert 0 == invoke(STANDARD)
    said = capsys.readouterr()

    assert "34.997 (PSS-78)" in said.out
    assert "1.0264 (25/25 °C)" in said.out
    assert "1025.97 kg/m3 at 15 °C" in said.out
    assert "±" not in said.out
    assert "" == said.err


def test_json_is_one_object_with_units_in_its_keys(capsys: pytest.CaptureFixture[str]) -> None:
    """A program reads the same facts unrounded, on one line."""
    assert 0 == invoke([*STANDARD, "--json"])
    (line,) = capsys.readouterr().out.splitlines()
    answer = json.loads(line)

    assert 34.99677 == pytest.approx(answer["salinity"], abs=1e-5)
    assert 42.914 == answer["conductivity_mS_cm"]
    assert {"specific_gravity", "density_kg_m3", "temperature_C"} <= answer.keys()
    assert "salinity_u" not in answer


def test_uncertainty_is_given_where_asked(capsys: pytest.CaptureFixture[str]) -> None:
    """Uncertainties of the inputs become that of each answer."""
    words = [*STANDARD, "--conductivity-u-percent", "0.5", "--temperature-u", "0.1"]
    assert 0 == invoke([*words, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert 0 == invoke(words)

    assert 0.216 == pytest.approx(answer["salinity_u"], abs=0.001)
    # A thousandth of specific gravity is 1.32 of salinity.
    assert answer["salinity_u"] / 1320 == pytest.approx(answer["specific_gravity_u"], rel=0.02)
    # 0.77 kg/m3 for each unit of salinity, and 0.21 kg/m3 for each °C besides, by hand.
    by_salinity = 0.77 * 0.5 * 0.395
    by_warmth = (0.77 * 0.86 + 0.21) * 0.1
    assert math.hypot(by_salinity, by_warmth) == pytest.approx(answer["density_u_kg_m3"], rel=0.03)
    said = capsys.readouterr().out
    assert "35.00 ± 0.43 (k=2) (PSS-78)" in said
    assert "± 0.35 kg/m3 (k=2) at 15 °C" in said
    assert "1.0264 ± 0.0003 (k=2) (25/25 °C)" in said


@pytest.mark.parametrize(
    "given, missing",
    [
        ("--conductivity-u-percent", "--temperature-u"),
        ("--temperature-u", "--conductivity-u-percent"),
    ],
)
def test_one_uncertainty_alone_is_not_taken_for_all(
    given: str, missing: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was not given is unknown and not 0; a 0 that is given counts."""
    assert output.USAGE == invoke([*STANDARD, given, "0.5"])
    said = capsys.readouterr()
    assert 0 == invoke([*STANDARD, given, "0.5", missing, "0"])

    assert "" == said.out
    assert f"{missing} is needed too" in said.err


@pytest.mark.parametrize("value, unit", [("42914", "uS/cm"), ("42914", "µS/cm"), ("4.2914", "S/m")])
def test_a_unit_can_be_named(value: str, unit: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same water in another unit has the same salinity."""
    words = ["salinity", "--conductivity", value, "--temperature", "15", "--unit", unit]
    assert 0 == invoke(words)

    assert "34.997" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words, part",
    [
        (["--conductivity", "42914", "--temperature", "15"], "check the unit"),
        (["--conductivity", "-1", "--temperature", "15"], "conductivity -1 mS/cm is outside"),
        (["--conductivity", "nan", "--temperature", "15"], "conductivity nan"),
        (["--conductivity", "42", "--temperature", "400"], "temperature 400 °C is outside"),
        (["--conductivity", "120", "--temperature", "15"], "above the 42 that PSS-78 reaches"),
        (["--conductivity", "42", "--temperature", "15", "--unit", "mho"], "unit 'mho'"),
        ([*BOTH, "--conductivity-u-percent", "1", "--temperature-u", "-1"], "0 or more"),
        ([*BOTH, "--conductivity-u-percent", "nan", "--temperature-u", "1"], "0 or more"),
        (["--conductivity", "much", "--temperature", "15"], "--conductivity"),
        (["--temperature", "15"], "--conductivity"),
        (["--conductivity", "42", "--temperature", "15", "--salty"], "--salty"),
    ],
)
def test_wrong_input_is_one_sentence(
    words: list[str], part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever is wrong, standard error has one line, standard output none, and the exit is 2."""
    assert output.USAGE == invoke(["salinity", *words])
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert line.startswith("brinewright: ")
    assert line.endswith((".", "?", "!"))
    assert part in line


def test_help_names_every_verb_that_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    """The help lists the verbs, and no words at all show it with exit 2."""
    assert 0 == invoke(["--help"])
    helped = capsys.readouterr().out
    assert output.USAGE == invoke([])

    assert helped == capsys.readouterr().out
    assert all(f"\n  {verb} " in helped for verb in ("plan", "correct", "change", "salinity"))
    assert max(len(line) for line in helped.splitlines()) <= 80


def test_a_mistyped_verb_is_guessed(capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown verb names the nearest."""
    assert output.USAGE == invoke(["salinty"])

    assert "did you mean salinity?" in capsys.readouterr().err


def test_an_option_before_the_command_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    """Its value is not taken for an unknown command."""
    assert 2 == invoke(["--config", "brinewright.toml", "status"])
    assert "options come after the command" in capsys.readouterr().err


def test_only_the_room_of_the_verb_is_loaded() -> None:
    """Asking for a salinity loads neither the configuration nor another room."""
    script = (
        "import sys; from daemon.cli.main import invoke;"
        f"invoke({STANDARD!r}); print(*sorted(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())

    assert "daemon.cli.salinity" in loaded
    assert not {"daemon.cli.plan", "daemon.cli.run", "daemon.config", "daemon.journal"} & loaded


def test_a_reader_that_leaves_and_a_poor_terminal_do_no_harm() -> None:
    """A closed pipe gives no traceback, and a sign that cannot be shown becomes a question mark."""
    command = [sys.executable, "-m", "daemon.cli.main", *STANDARD]
    poor = subprocess.run(
        command, capture_output=True, check=True, env={**os.environ, "PYTHONIOENCODING": "ascii"}
    )
    read, write = os.pipe()
    os.close(read)
    try:
        cut = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, check=False)
    finally:
        os.close(write)

    assert b"(25/25 ?C)" in poor.stdout
    assert b"" == cut.stderr


def test_a_wrong_configuration_names_every_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Commands that need the file end with 78 and a line for each fault."""
    path = tmp_path / "brinewright.toml"
    path.write_text("[station]\nname = 'A'\n")
    code = invoke(["status", "--config", str(path)])
    lines = capsys.readouterr().err.splitlines()

    assert output.CONFIG == code
    assert 2 == len(lines)
    assert all(str(path) in line for line in lines)


def test_a_table_fits_the_screen() -> None:
    """Columns line up and the last one wraps within 80 characters."""
    laid = output.table([("a", "bb", "word " * 40), ("ccc", "d", "short")], ("x", "y", "z"))
    lines = laid.splitlines()

    assert "x    y   z" == lines[0]
    assert "ccc  d   short" == lines[-1]
    assert len(lines) > 4
    assert max(len(line) for line in lines) <= 80
    assert "" == output.table([])


def test_an_answer_without_words_of_its_own_is_keys_and_values(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What has no text for people is laid out from its facts."""
    output.emit({"a": 1.25, "b": None, "c": True}, as_json=False)

    assert ["a  1.25", "b  -", "c  yes"] == capsys.readouterr().out.splitlines()
