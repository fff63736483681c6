"""The weights that are in use, read once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from daemon.mixing.stability.weights import Weights
from daemon.weights_file import load_learned, load_weights


@cache
def weights() -> Weights:
    """The weights of detector and forecast; nobody can change them: all tests may share them."""
    return load_learned()


@cache
def headless_weights() -> Weights:
    """Those of the detector alone, as a head that is yet to be trained for them finds them."""
    return load_weights()


def other_weights() -> Weights:
    """Weights of another training: what a network remembered by them means something else."""
    return replace(weights(), mixing_bias=weights().mixing_bias + 0.001, head=None)
