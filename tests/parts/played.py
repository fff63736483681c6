"""What a station does with samples, computed once for the same station and the same samples.

Many tests begin with the same water.  A station is pure: nothing but its state and what comes in
decides what it does, which is tested where it is put away and goes on (`tests/properties`).
"""

from __future__ import annotations

import copyreg
import io
import pickle
from functools import lru_cache
from typing import TYPE_CHECKING, cast

from daemon.mixing.stability.weights import Weights

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from daemon.entries import Entry, Sample
    from daemon.mixing.station.station import Station

KEPT = 64
"""Stretches that are remembered: a worker runs the tests of one file after another."""

_weights: dict[int, Weights] = {}


def play(station: Station, samples: Sequence[Sample]) -> list[Entry]:
    """Feed samples to a station and return its entries."""
    entries, after = _played(_frozen(station), tuple(samples))
    vars(station).update(vars(_thawed(after)))
    return list(entries)


@lru_cache(maxsize=KEPT)
def _played(frozen: bytes, samples: tuple[Sample, ...]) -> tuple[tuple[Entry, ...], bytes]:
    station = _thawed(frozen)
    entries = tuple(entry for sample in samples for entry in station.advance(sample))
    return entries, _frozen(station)


def _frozen(station: Station) -> bytes:
    """Return all of a station but its weights, which all stations share."""
    file = io.BytesIO()
    pickler = pickle.Pickler(file)
    pickler.dispatch_table = {**copyreg.dispatch_table, Weights: _by_number}
    pickler.dump(station)
    return file.getvalue()


def _thawed(frozen: bytes) -> Station:
    return cast("Station", pickle.loads(frozen))  # noqa: S301 - frozen above


def _by_number(weights: Weights) -> tuple[Callable[[int], Weights], tuple[int]]:
    _weights[id(weights)] = weights
    return _weights_of, (id(weights),)


def _weights_of(number: int) -> Weights:
    return _weights[number]
