"""From a trained network to the file of weights that the detector reads, and back."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from daemon.mixing.stability.familiarity import Envelope, envelope_of
from daemon.mixing.stability.features import FEATURE_NAMES
from daemon.mixing.stability.weights import Weights
from daemon.weights_file import CHECKSUM_SUFFIX, checksum_line, encode
from tests.research.stability.feature_records import Record
from tests.research.stability.trainable_network import Layer, Network, Singles

DIGITS = 3
"""Decimals of a weight: what the file of weights holds without loss."""


def envelope_of_records(found: list[Record]) -> Envelope:
    """Return what the half minutes with readings are like that a network learns from."""
    known = FEATURE_NAMES.index("known")
    return envelope_of(
        np.concatenate([each.features[each.features[:, known] > 0.0] for each in found])
    )


def weights_of(net: Network, limit: float, envelope: Envelope | None = None) -> Weights:
    """Return a network as the detector has it, with the limit of a call and what it learned from.

    Without an envelope all readings are taken for familiar.
    """
    layers = net.layers
    return Weights(
        mixing=net.mixing.astype(np.float64),
        mixing_bias=net.mixing_bias.astype(np.float64),
        inner=np.array([each.inner for each in layers], np.float64),
        across=np.array([each.across for each in layers], np.float64),
        bias=np.array([each.bias for each in layers], np.float64),
        across_bias=np.array([each.across_bias for each in layers], np.float64),
        weighing=net.weighing.astype(np.float64),
        weighing_bias=net.weighing_bias.astype(np.float64),
        outer=net.outer.T.astype(np.float64),
        outer_bias=net.outer_bias.astype(np.float64),
        limit=limit,
        envelope=envelope,
    )


def network_of(weights: Weights) -> Network:
    """Return the network that the detector has, as training has it."""

    def single(values: object) -> Singles:
        return np.array(values, np.float32)

    layers = zip(weights.inner, weights.across, weights.bias, weights.across_bias, strict=True)
    return Network(
        single(weights.mixing),
        single(weights.mixing_bias),
        [Layer(*map(single, each)) for each in layers],
        single(weights.weighing),
        single(weights.weighing_bias),
        single(weights.outer).T.copy(),
        single(weights.outer_bias),
    )


def write(weights: Weights, path: Path) -> None:
    """Write the file of weights, and its checksum beside it.

    Raises:
        OSError: The folder cannot be written to.
        OverflowError: A weight is beyond what the file can hold.
    """
    content = encode(weights)
    path.write_bytes(content)
    beside = path.with_name(path.name + CHECKSUM_SUFFIX)
    beside.write_text(checksum_line(content, path.name), encoding="ascii")
