"""The file of the detector's weights: whole, or refused in one sentence."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.mixing.stability.familiarity import FIGURES, Envelope
from daemon.mixing.stability.weights import Weights
from daemon.weights_file import (
    CHECKSUM_SUFFIX,
    WEIGHTS_FILE,
    WeightsError,
    checksum_line,
    encode,
    load_weights,
)
from tests.parts.configurations import JOURNAL, configuration
from tests.parts.weights import other_weights, weights

ROOT = Path(__file__).parents[2]
ARRAYS = [each.name for each in fields(Weights) if each.name not in ("head", "envelope")]


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A copy of the file in use, with its checksum beside it."""
    for suffix in ("", CHECKSUM_SUFFIX):
        shutil.copy(f"{WEIGHTS_FILE}{suffix}", tmp_path)
    return tmp_path / WEIGHTS_FILE.name


def fault_of(path: Path) -> str:
    """The sentence with which a file is refused, which names it and says what to do."""
    with pytest.raises(WeightsError) as caught:
        load_weights(path)
    said = str(caught.value)
    assert said.startswith(f"{path}: the weights of the stability detector ")
    assert said.endswith("; install brinewright again")
    assert "\n" not in said
    return said


def rewritten(path: Path, arrays: dict[str, Any]) -> None:
    """Write arrays as a file of weights whose checksum is right."""
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    path.write_bytes(out.getvalue())
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    beside.write_text(checksum_line(out.getvalue(), path.name))


def stored(path: Path) -> dict[str, Any]:
    """The arrays of a file."""
    with np.load(path) as arrays:
        return dict(arrays)


def test_the_weights_in_use_are_those_that_were_trained() -> None:
    """Their mark and limit, as they were before they became a file."""
    assert "a744ac71caa145ca" == weights().mark
    assert 2.5 == weights().limit
    assert 123_267 == sum(np.size(getattr(weights(), name)) for name in ARRAYS)


def test_the_model_card_is_of_these_weights() -> None:
    """It names the checksum, the mark and the size of the file that lies beside it."""
    content = WEIGHTS_FILE.read_bytes()
    card = WEIGHTS_FILE.with_name("MODEL_CARD.md").read_text(encoding="utf-8")

    assert f"`{hashlib.sha256(content).hexdigest()}`" in card
    assert f"`{weights().mark}`" in card
    assert f"{len(content):,} bytes" in card


def test_nobody_can_change_them() -> None:
    """What all reservoirs share stays as it is."""
    with pytest.raises(ValueError, match="read-only"):
        weights().mixing[0, 0] = 1.0


def test_what_is_written_is_read(copied: Path) -> None:
    """Every value of three decimals comes back to the last bit."""
    content = encode(other_weights())
    copied.write_bytes(content)
    copied.with_name(copied.name + CHECKSUM_SUFFIX).write_text(checksum_line(content, copied.name))

    read = load_weights(copied)

    for name in ARRAYS:
        expected = np.round(getattr(other_weights(), name), 3) + 0.0
        np.testing.assert_array_equal(np.asarray(getattr(read, name)), expected)


def test_a_weight_too_large_for_the_file_is_refused() -> None:
    """Beyond the integers' range it is not cut off in silence."""
    with pytest.raises(OverflowError, match="limit holds a weight beyond"):
        encode(replace(weights(), limit=32.768))


@pytest.mark.parametrize("suffix", ["", CHECKSUM_SUFFIX])
def test_a_missing_file_is_named(copied: Path, suffix: str) -> None:
    """Whether it is the weights or their checksum that is missing."""
    missing = Path(f"{copied}{suffix}")
    missing.unlink()

    verb = "cannot be checked" if suffix else "cannot be read"
    assert f"{verb}: {missing.name}: No such file or directory" in fault_of(copied)


@pytest.mark.parametrize("where", [0, 40, 1000, 100_000, -1])
def test_a_changed_byte_is_noticed(copied: Path, where: int) -> None:
    """Wherever it is, before anything in the file is looked at."""
    content = bytearray(copied.read_bytes())
    content[where] ^= 1
    copied.write_bytes(content)

    assert "they do not match their checksum in weights.npz.sha256" in fault_of(copied)


@pytest.mark.parametrize("length", [0, 1, 1000])
def test_a_file_that_ends_early_is_noticed(copied: Path, length: int) -> None:
    """As a power cut leaves it."""
    copied.write_bytes(copied.read_bytes()[:length])

    assert "they do not match their checksum" in fault_of(copied)


@pytest.mark.parametrize("text", ["", " \n", "0" * 64])
def test_another_checksum_is_noticed(copied: Path, text: str) -> None:
    """Weights and checksum must be of one training."""
    copied.with_name(copied.name + CHECKSUM_SUFFIX).write_text(text)

    assert "they do not match their checksum" in fault_of(copied)


def test_an_array_of_another_shape_is_refused(copied: Path) -> None:
    """Weights of a network with other features are told from these, whatever their checksum."""
    arrays = stored(copied)
    rewritten(copied, arrays | {"mixing": arrays["mixing"][1:]})

    assert "(mixing has the shape (23, 96), not (24, 96))" in fault_of(copied)


def test_numbers_of_another_kind_are_refused(copied: Path) -> None:
    """Floats would be taken for thousandths."""
    arrays = stored(copied)
    rewritten(copied, arrays | {"mixing": arrays["mixing"] / 1000.0})

    assert "(mixing holds float64, not int16)" in fault_of(copied)


def test_a_missing_array_is_refused(copied: Path) -> None:
    """It is named."""
    arrays = stored(copied)
    del arrays["outer"]
    rewritten(copied, arrays)

    assert "outer" in fault_of(copied)


def test_what_is_no_archive_is_refused(copied: Path) -> None:
    """A checksum that matches does not make it one."""
    copied.write_text("no weights")
    beside = copied.with_name(copied.name + CHECKSUM_SUFFIX)
    beside.write_text(f"{hashlib.sha256(b'no weights').hexdigest()}  {copied.name}\n")

    assert "are of another kind than this version's" in fault_of(copied)


CONFIG = configuration(
    """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/null"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = { conductivity = "mS/cm", temperature = "degC" }
compensation = "none"
period_s = 2
"""
    + JOURNAL
)


@pytest.fixture
def damaged_program(tmp_path: Path) -> Path:
    """A copy of the program whose weights a bad card has changed, and a configuration."""
    for room in ("daemon", "calibration"):
        shutil.copytree(
            ROOT / room, tmp_path / room, ignore=shutil.ignore_patterns("__pycache__", "*.pyc")
        )
    stored_weights = tmp_path / WEIGHTS_FILE.relative_to(ROOT)
    stored_weights.write_bytes(stored_weights.read_bytes()[:-1] + b"?")
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    (tmp_path / "batch.csv").write_text("time,conductivity_mS_cm,temperature_C\n")
    return tmp_path


@pytest.mark.parametrize(
    "program, words",
    [("measure.main import main", []), ("cli.main import main", ["replay", "batch.csv"])],
    ids=["measure", "replay"],
)
def test_a_program_with_damaged_weights_ends_in_one_sentence(
    damaged_program: Path, program: str, words: list[str]
) -> None:
    """Measuring and replay say which file is damaged and what to do, before a journal is made."""
    start = f"import sys; from daemon.{program}; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", start, *words, "--config", "brinewright.toml"],
        cwd=damaged_program,
        env=os.environ | {"PYTHONPATH": str(damaged_program), "COLUMNS": "400"},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )

    assert (78, "") == (done.returncode, done.stdout)
    (line,) = done.stderr.splitlines()
    path = damaged_program / WEIGHTS_FILE.relative_to(ROOT)
    assert f"{path}: the weights of the stability detector are damaged" in line
    assert line.rstrip(".").endswith("install brinewright again")
    assert [] == list(damaged_program.glob("*.db"))


def test_an_envelope_is_stored_with_the_weights(tmp_path: Path) -> None:
    """Both ends come back to the thousandth; one end alone is a file of another kind."""
    path = tmp_path / WEIGHTS_FILE.name
    ends = Envelope(np.full(len(FIGURES), -1.5), np.linspace(0.0, 12.345, len(FIGURES)))
    content = encode(replace(weights(), envelope=ends))
    path.write_bytes(content)
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    beside.write_text(checksum_line(content, path.name))

    stored = load_weights(path)

    assert stored.envelope is not None
    assert np.allclose(ends.high, stored.envelope.high, atol=5e-4)
    assert stored.mark == weights().mark
    with np.load(io.BytesIO(content)) as arrays:
        rewritten(path, {name: arrays[name] for name in arrays if name != "envelope_low"})
    assert "are of another kind than this version's" in fault_of(path)
