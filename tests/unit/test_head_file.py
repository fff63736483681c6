"""The file of the head of the release forecast: whole, or refused in one sentence."""

from __future__ import annotations

import hashlib
import io
import shutil
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.mixing.stability.release_head import ReleaseHead, quantiles
from daemon.weights_file import (
    CHECKSUM_SUFFIX,
    HEAD_FILE,
    WeightsError,
    checksum_line,
    encode_head,
    load_head,
    load_learned,
)
from tests.parts.weights import weights

ARRAYS = [each.name for each in fields(ReleaseHead) if each.name != "mark"]


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A copy of the file in use, with its checksum beside it."""
    for suffix in ("", CHECKSUM_SUFFIX):
        shutil.copy(f"{HEAD_FILE}{suffix}", tmp_path)
    return tmp_path / HEAD_FILE.name


def written(path: Path, content: bytes) -> None:
    """Write a file whose checksum is right."""
    path.write_bytes(content)
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    beside.write_text(checksum_line(content, path.name))


def changed(path: Path, arrays: dict[str, Any]) -> None:
    """Change some arrays of a file; its checksum stays right."""
    with np.load(path) as stored:
        own = dict(stored) | arrays
    out = io.BytesIO()
    np.savez_compressed(out, **own)
    written(path, out.getvalue())


def fault_of(path: Path) -> str:
    """The sentence with which a file is refused, which names it and says what to do."""
    with pytest.raises(WeightsError) as caught:
        load_learned(head=path)
    said = str(caught.value)
    assert said.startswith(f"{path}: the weights of the release forecast ")
    assert said.endswith("; install brinewright again")
    assert "\n" not in said
    return said


def test_the_head_in_use_belongs_to_the_network_in_use() -> None:
    """Its inputs are the units of that network and some figures; its quantiles ascend."""
    head = load_learned().head
    assert head is not None
    rng = np.random.default_rng(1)

    found = [
        quantiles(head, head.mean + head.scale * rng.normal(size=head.mean.size)) for _ in range(50)
    ]

    assert weights().mark == head.mark
    assert np.size(weights().across_bias) + 21 == head.mean.size
    assert all((np.diff(each, axis=1) >= 0.0).all() for each in found)


def test_the_model_card_is_of_this_head() -> None:
    """It names the checksum and the size of the file that lies beside it."""
    content = HEAD_FILE.read_bytes()
    card = HEAD_FILE.with_name("MODEL_CARD.md").read_text(encoding="utf-8")

    assert f"`{hashlib.sha256(content).hexdigest()}`" in card
    assert f"{len(content):,} bytes" in card


def test_what_is_written_is_read(copied: Path) -> None:
    """Every number comes back, and nobody can change it."""
    head = load_head()
    written(copied, encode_head(head))

    read = load_head(copied)

    assert head.mark == read.mark
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(head, name), getattr(read, name))
    with pytest.raises(ValueError, match="read-only"):
        read.inner[0, 0] = 1.0


@pytest.mark.parametrize("suffix", ["", CHECKSUM_SUFFIX])
def test_a_missing_file_is_named(copied: Path, suffix: str) -> None:
    """Whether it is the head or its checksum that is missing."""
    missing = Path(f"{copied}{suffix}")
    missing.unlink()

    verb = "cannot be checked" if suffix else "cannot be read"
    assert f"{verb}: {missing.name}: No such file or directory" in fault_of(copied)


@pytest.mark.parametrize("where", [0, 40, 10_000, -1])
def test_a_changed_byte_is_noticed(copied: Path, where: int) -> None:
    """Wherever it is, before anything in the file is looked at."""
    content = bytearray(copied.read_bytes())
    content[where] ^= 1
    copied.write_bytes(content)

    assert "they do not match their checksum in release_forecast.npz.sha256" in fault_of(copied)


@pytest.mark.parametrize(
    "arrays, reason",
    [
        ({"outer": np.zeros((3, 6), np.float32)}, "outer has the shape (3, 6), not ("),
        ({"scale": np.zeros(3, np.int16)}, "scale holds int16, not float32"),
        ({"outer_bias": np.full(6, np.nan, np.float32)}, "outer_bias holds a number that is not"),
    ],
)
def test_what_does_not_fit_is_refused(copied: Path, arrays: dict[str, Any], reason: str) -> None:
    """A shape, a kind of number, a number that is none."""
    changed(copied, arrays)

    assert reason in fault_of(copied)


def test_a_head_of_another_network_is_refused(copied: Path) -> None:
    """What it learned of other units means nothing with these."""
    written(copied, encode_head(replace(load_head(), mark="0123456789abcdef")))

    assert "were trained on another network than the detector's" in fault_of(copied)


def test_inputs_of_another_number_are_refused() -> None:
    """Rather than taken for others."""
    with pytest.raises(ValueError, match="the head takes 213 inputs, not 3"):
        quantiles(load_head(), np.zeros(3))
