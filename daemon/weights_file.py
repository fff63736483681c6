"""The files of learned weights, each with a checksum beside it: the detector's, the forecast's.

Every weight of the detector has three decimals, so that 16-bit integers lose nothing; those of
the head of the release forecast are 32-bit floating-point numbers.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from daemon.errors import BrinewrightError, ExitCode
from daemon.mixing.stability.familiarity import Envelope
from daemon.mixing.stability.release_head import ReleaseHead
from daemon.mixing.stability.weights import Weights

WEIGHTS_FILE = Path(__file__).parent / "mixing" / "stability" / "weights.npz"
"""The file that is installed with the program."""

HEAD_FILE = WEIGHTS_FILE.with_name("release_forecast.npz")
"""Likewise, of the head of the release forecast."""

SCALE = 1000.0
"""Integers of the file are weights times this."""

CHECKSUM_SUFFIX = ".sha256"
"""What the name of the checksum's file adds; `sha256sum --check` reads it, too."""

_ARRAYS = tuple(each.name for each in fields(Weights) if each.name not in ("head", "envelope"))
_ENDS = tuple(each.name for each in fields(Envelope))
_HEAD_ARRAYS = tuple(each.name for each in fields(ReleaseHead) if each.name != "mark")
_DETECTOR, _FORECAST = "the stability detector", "the release forecast"


class WeightsError(BrinewrightError):
    """The weights cannot be used; one sentence that names the file and says what to do."""

    exit_code = ExitCode.CONFIG
    """To start again mends nothing."""

    def __init__(self, path: Path, fault: str, whose: str = _DETECTOR) -> None:
        """Say what is wrong with which file, and whose weights it holds."""
        super().__init__(f"{path}: the weights of {whose} {fault}; install brinewright again")


def load_weights(path: Path = WEIGHTS_FILE) -> Weights:
    """Return the weights in a file that `encode` wrote, with its checksum beside it.

    Raises:
        WeightsError: A file is missing, cannot be read, is damaged or holds something else.
    """
    content = _proven(path, _DETECTOR)
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as stored:
            envelope = {
                end: stored[_of_envelope(end)] for end in _ENDS if _of_envelope(end) in stored
            }
            return _weights({name: stored[name] for name in _ARRAYS}, envelope)
    except _MISFITS as exc:
        raise _of_another_kind(path, exc, _DETECTOR) from exc


def load_head(path: Path = HEAD_FILE) -> ReleaseHead:
    """Return the head of the release forecast in a file that `encode_head` wrote.

    Raises:
        WeightsError: A file is missing, cannot be read, is damaged or holds something else.
    """
    content = _proven(path, _FORECAST)
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as stored:
            return _head({name: stored[name] for name in ("mark", *_HEAD_ARRAYS)})
    except _MISFITS as exc:
        raise _of_another_kind(path, exc, _FORECAST) from exc


def load_learned(weights: Path = WEIGHTS_FILE, head: Path = HEAD_FILE) -> Weights:
    """Return all that was learned: the weights of the detector, with the head of the forecast.

    Raises:
        WeightsError: A file cannot be used, or the head was trained on another network.
    """
    network, of_forecast = load_weights(weights), load_head(head)
    if of_forecast.mark != network.mark:
        raise WeightsError(head, "were trained on another network than the detector's", _FORECAST)
    return replace(network, head=of_forecast)


def encode(weights: Weights) -> bytes:
    """Return the content of a file of weights, rounded to thousandths.

    Raises:
        OverflowError: A weight is beyond ±32.767.
    """
    stored = {name: np.rint(np.asarray(getattr(weights, name)) * SCALE) for name in _ARRAYS}
    if weights.envelope is not None:
        for end in _ENDS:
            stored[_of_envelope(end)] = np.rint(getattr(weights.envelope, end) * SCALE)
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


def encode_head(head: ReleaseHead) -> bytes:
    """Return the content of a file of the head of the release forecast."""
    arrays: dict[str, Any] = {
        name: np.asarray(getattr(head, name), np.float32, order="C") for name in _HEAD_ARRAYS
    }
    out = io.BytesIO()
    np.savez_compressed(out, mark=np.frombuffer(head.mark.encode(), np.uint8), **arrays)
    return out.getvalue()


def checksum_line(content: bytes, name: str) -> str:
    """Return the text of the file beside one of this content and name."""
    return f"{hashlib.sha256(content).hexdigest()}  {name}\n"


_MISFITS = (KeyError, TypeError, ValueError, EOFError, zipfile.BadZipFile)
"""What a file that is none of ours raises when it is read."""


def _proven(path: Path, whose: str) -> bytes:
    """Return the content of a file that its checksum proves whole."""
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    content, expected = _read(path, path, whose), _read(beside, path, whose).split()
    if not expected or hashlib.sha256(content).hexdigest().encode() != expected[0]:
        fault = f"are damaged: they do not match their checksum in {beside.name}"
        raise WeightsError(path, fault, whose)
    return content


def _of_another_kind(path: Path, exc: Exception, whose: str) -> WeightsError:
    reason = str(exc).strip("'\"")
    return WeightsError(path, f"are of another kind than this version's ({reason})", whose)


def _read(path: Path, weights: Path, whose: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as exc:
        verb = "read" if path == weights else "checked"
        fault = f"cannot be {verb}: {path.name}: {exc.strerror or exc}"
        raise WeightsError(weights, fault, whose) from exc


def _head(stored: dict[str, npt.NDArray[Any]]) -> ReleaseHead:
    """Return the arrays of a head, which nobody can change.

    Raises:
        TypeError: They are no 32-bit floating-point numbers.
        ValueError: A number is not finite, or they do not fit together.
    """
    mark = stored.pop("mark").tobytes().decode("ascii")
    for name, values in stored.items():
        if values.dtype != np.float32:
            raise TypeError(f"{name} holds {values.dtype}, not float32")
        if not np.isfinite(values).all():
            raise ValueError(f"{name} holds a number that is not finite")
    arrays: dict[str, Any] = {name: values.astype(np.float64) for name, values in stored.items()}
    for values in arrays.values():
        values.setflags(write=False)
    return ReleaseHead(mark, **arrays)


def _of_envelope(end: str) -> str:
    """Return the name of an end of the envelope in the file."""
    return f"envelope_{end}"


def _weights(stored: dict[str, npt.NDArray[Any]], envelope: dict[str, npt.NDArray[Any]]) -> Weights:
    """Return integers as weights that nobody can change.

    Raises:
        TypeError: They are no 16-bit integers, or the envelope lacks an end.
        ValueError: They do not fit together.
    """
    for name, values in (stored | envelope).items():
        if values.dtype != np.int16:
            raise TypeError(f"{name} holds {values.dtype}, not int16")
    arrays, ends = _unscaled(stored), _unscaled(envelope)
    arrays["limit"] = float(arrays["limit"])
    return Weights(**arrays, envelope=Envelope(**ends) if ends else None)


def _unscaled(stored: dict[str, npt.NDArray[Any]]) -> dict[str, Any]:
    arrays = {name: values / SCALE for name, values in stored.items()}
    for values in arrays.values():
        values.setflags(write=False)
    return arrays
