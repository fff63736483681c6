"""The weights that are in use, read once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from daemon.mixing.stability.weights import Weights
from daemon.weights_file import load_weights


@cache
def weights() -> Weights:
    """The detector's weights; nobody can change them, so that all tests may share them."""
    return load_weights()


def other_weights() -> Weights:
    """Weights of another training: what a network remembered by them means something else."""
    return replace(weights(), mixing_bias=weights().mixing_bias + 0.001)
