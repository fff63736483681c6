"""The weights that are in use, read once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from daemon.mixing.stability.weights import Weights
from daemon.weights_file import load_learned


@cache
def weights() -> Weights:
    """The weights of detector and forecast; nobody can change them: all tests may share them."""
    return load_learned()


def other_weights() -> Weights:
    """Weights of another training: what a network remembered by them means something else."""
    return replace(weights(), mixing_bias=weights().mixing_bias + 0.001, head=None)
