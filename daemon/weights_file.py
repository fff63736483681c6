"""The file of the detector's weights: compressed 16-bit thousandths, with a checksum beside it.

Every weight has three decimals, so that 16-bit integers lose nothing.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from daemon.errors import BrinewrightError, ExitCode
from daemon.mixing.stability.weights import Weights

WEIGHTS_FILE = Path(__file__).parent / "mixing" / "stability" / "weights.npz"
"""The file that is installed with the program."""

SCALE = 1000.0
"""Integers of the file are weights times this."""

CHECKSUM_SUFFIX = ".sha256"
"""What the name of the checksum's file adds; `sha256sum --check` reads it, too."""

_ARRAYS = tuple(each.name for each in fields(Weights))


class WeightsError(BrinewrightError):
    """The weights cannot be used; one sentence that names the file and says what to do."""

    exit_code = ExitCode.CONFIG
    """To start again mends nothing."""

    def __init__(self, path: Path, fault: str) -> None:
        """Say what is wrong with which file."""
        super().__init__(
            f"{path}: the weights of the stability detector {fault}; install brinewright again"
        )


def load_weights(path: Path = WEIGHTS_FILE) -> Weights:
    """Return the weights in a file that `encode` wrote, with its checksum beside it.

    Raises:
        WeightsError: A file is missing, cannot be read, is damaged or holds something else.
    """
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    content, expected = _read(path, path), _read(beside, path).split()
    if not expected or hashlib.sha256(content).hexdigest().encode() != expected[0]:
        raise WeightsError(path, f"are damaged: they do not match their checksum in {beside.name}")
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as stored:
            return _weights({name: stored[name] for name in _ARRAYS})
    except (KeyError, TypeError, ValueError, EOFError, zipfile.BadZipFile) as exc:
        reason = str(exc).strip("'\"")
        raise WeightsError(path, f"are of another kind than this version's ({reason})") from exc


def encode(weights: Weights) -> bytes:
    """Return the content of a file of weights, rounded to thousandths.

    Raises:
        OverflowError: A weight is beyond ±32.767.
    """
    stored = {name: np.rint(np.asarray(getattr(weights, name)) * SCALE) for name in _ARRAYS}
    most = np.iinfo(np.int16).max
    for name, values in stored.items():
        if not np.all(np.abs(values) <= most):
            raise OverflowError(f"{name} holds a weight beyond ±{most / SCALE}")
    integers: dict[str, Any] = {
        name: each.astype(np.int16, order="C") for name, each in stored.items()
    }
    out = io.BytesIO()
    np.savez_compressed(out, **integers)
    return out.getvalue()


def checksum_line(content: bytes, name: str) -> str:
    """Return the text of the file beside one of this content and name."""
    return f"{hashlib.sha256(content).hexdigest()}  {name}\n"


def _read(path: Path, weights: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as exc:
        verb = "read" if path == weights else "checked"
        fault = f"cannot be {verb}: {path.name}: {exc.strerror or exc}"
        raise WeightsError(weights, fault) from exc


def _weights(stored: dict[str, npt.NDArray[Any]]) -> Weights:
    """Return integers as weights that nobody can change.

    Raises:
        TypeError: They are no 16-bit integers.
    """
    for name, values in stored.items():
        if values.dtype != np.int16:
            raise TypeError(f"{name} holds {values.dtype}, not int16")
    arrays: dict[str, Any] = {name: values / SCALE for name, values in stored.items()}
    for values in arrays.values():
        values.setflags(write=False)
    for name in ("limit", "limit_pump_known"):
        arrays[name] = float(arrays[name])
    return Weights(**arrays)
