"""A specific gravity given as a salinity is named as such, wherever a salinity is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import USAGE
from daemon.config import ConfigError, parse
from daemon.mixing.seawater.gravity_check import looks_like_gravity, refuse_gravity
from tests.parts.people import a_batch, a_bench
from tests.unit.config.test_config import FILE, VALID

MEANT = "looks like a specific gravity"
TEN = ["--volume", "10"]


@pytest.mark.parametrize(
    "gravity, salinity",
    [(1.02259, "30.0"), (1.02486, "33.0"), (1.02637, "35.0"), (1.02713, "36.0")],
)
def test_it_says_which_salinity_is_meant(gravity: float, salinity: str) -> None:
    """Relative densities 25/25 °C of seawater by TEOS-10, computed with gsw."""
    assert f"salinity of {salinity} ppt: give that" in looks_like_gravity(gravity)


@pytest.mark.parametrize(
    "value, part",
    [
        (0.998, "water without salt"),
        (1.0, "water without salt"),
        (1.05, "seawater has 1.000 to 1.032"),
    ],
)
def test_what_is_no_seawater_is_reported(value: float, part: str) -> None:
    """Below pure water and above salinity 42 there is no salinity to name."""
    assert part in looks_like_gravity(value)


@pytest.mark.parametrize("value", [0.0, 0.5, 0.89, 1.11, 2.0, 34.0, 42.0, 1026.0, float("nan")])
def test_a_salinity_is_none(value: float) -> None:
    """Also 0, which is purified water."""
    assert "" == looks_like_gravity(value)
    refuse_gravity(target=value, salinity=None)


@pytest.mark.parametrize(
    "words, name",
    [
        (["plan", *TEN, "--target", "1.026"], "--target"),
        (
            ["plan", *TEN, "--target", "34", "--heel-volume", "1", "--heel-salinity", "1.02"],
            "--heel-salinity",
        ),
        (["correct", *TEN, "--salinity", "1.024", "--target", "34"], "--salinity"),
        (["correct", *TEN, "--salinity", "33", "--target", "1.026"], "--target"),
        (["change", *TEN, "--salinity", "1.026", "--changed", "1", "--new-salinity", "34"],
         "--salinity"),
        (["change", *TEN, "--salinity", "33", "--changed", "1", "--new-salinity", "1.026"],
         "--new-salinity"),
        (["change", *TEN, "--salinity", "33", "--changed", "1", "--new-salinity", "34",
          "--to", "1.025"], "--to"),
    ],
)  # fmt: skip
def test_no_dose_is_worked_out_with_it(
    words: list[str], name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """117 g in 10 L make no seawater: one sentence, nothing planned, usage."""
    assert USAGE == invoke(words)
    said = capsys.readouterr()

    assert "" == said.out
    (line,) = said.err.splitlines()
    assert f"{name} = 1.02" in line
    assert MEANT in line


def test_a_command_refuses_it() -> None:
    """A heel and a reading of another instrument come over the line too."""
    bench = a_bench()
    bench.run()
    said = bench.answer("batch.start", mass_g=7000, heel_volume_l=20, heel_salinity=1.025)
    read = a_batch().answer("batch.reading", salinity=1.025)

    assert said.startswith(f"- heel_salinity = 1.025 {MEANT}")
    assert read.startswith(f"- salinity = 1.025 {MEANT}")
    assert read.endswith("of 33.2 ppt: give that")


@pytest.mark.parametrize("target", ["1.026", "0.9", "1"])
def test_a_configured_target_that_is_one_is_a_fault(target: str) -> None:
    """One fault, which names the key and what is meant."""
    with pytest.raises(ConfigError) as refused:
        parse(VALID.replace("target_ppt = 34.0", f"target_ppt = {target}"), FILE)
    (fault,) = refused.value.faults

    assert "reservoir[mix-1].target_ppt" in fault
    assert MEANT in fault


def test_the_check_loads_no_equations() -> None:
    """The configuration is read by every verb, and quickly."""
    script = "import sys; import daemon.mixing.seawater.gravity_check; print('gsw' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )

    assert "False" == done.stdout.strip()


def test_a_gravity_of_one_is_that_of_water_without_salt() -> None:
    """Exactly one, and not a salinity of 0.0."""
    assert "it is water without salt, 0 ppt" in looks_like_gravity(1.0)
