"""The network of the detector as training has it, with its gradient back through time.

Source: gated recurrent units of Cho et al. (2014), in the form in which the
reset gate acts after the product; from memory.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Singles = npt.NDArray[np.float32]

SCORES = 2
ODDS, CALL = range(SCORES)
"""Columns of what comes out: log odds that mixing is over, and whether to call now."""


@dataclass(slots=True)
class Layer:
    """One layer of gated units; columns of three blocks are reset, keep, fresh.

    Attributes:
        inner: What comes in, by three times the units.
        across: Units by three times the units.
        bias: Three times the units.
        across_bias: A unit, within the reset.
    """

    inner: Singles
    across: Singles
    bias: Singles
    across_bias: Singles


@dataclass(slots=True)
class Network:
    """Weights: features are mixed, remembered by layers, weighed up, and put into two scores.

    Attributes:
        mixing: Features by units.
        mixing_bias: A unit.
        layers: The layers, the first one first.
        weighing: Units of the last layer by units.
        weighing_bias: A unit.
        outer: Units by two: the log odds that mixing is over, and whether to call.
        outer_bias: Of the two.
    """

    mixing: Singles
    mixing_bias: Singles
    layers: list[Layer]
    weighing: Singles
    weighing_bias: Singles
    outer: Singles
    outer_bias: Singles

    def parts(self) -> list[Singles]:
        """Return all arrays, layers between what comes before and after them."""
        out = [self.mixing, self.mixing_bias]
        for each in self.layers:
            out += [each.inner, each.across, each.bias, each.across_bias]
        return [*out, self.weighing, self.weighing_bias, self.outer, self.outer_bias]


@dataclass(slots=True)
class LayerPass:
    """What a layer's pass forward leaves for the pass back; time first, then record."""

    given: Singles
    units: Singles
    gates: Singles
    reset_input: Singles
    fresh: Singles


def begin(features: int, units: int, layers: int, rng: np.random.Generator) -> Network:
    """Return a network with random weights, but for whether to call: that comes after."""

    def drawn(size: int, *shape: int) -> Singles:
        reach = 1.0 / np.sqrt(size)
        return rng.uniform(-reach, reach, shape).astype(np.float32)

    net = Network(
        drawn(features, features, units),
        drawn(features, units),
        [
            Layer(
                drawn(units, units, 3 * units), drawn(units, units, 3 * units),
                drawn(units, 3 * units), drawn(units, units),
            )
            for _ in range(layers)
        ],
        drawn(units, units, units),
        drawn(units, units),
        np.zeros((units, SCORES), np.float32),
        np.zeros(SCORES, np.float32),
    )  # fmt: skip
    net.outer[:, ODDS], net.outer_bias[ODDS] = drawn(units, units), drawn(units, 1)[0]
    return net


def mean_of(nets: list[Network]) -> Network:
    """Return the network of the mean weights of some that went on from one another.

    It does better than each of them where the way between them is level.
    Source: Izmailov et al. (2018), from memory.
    """
    out = copy.deepcopy(nets[0])
    for parts in zip(*(each.parts() for each in (out, *nets)), strict=True):
        parts[0][...] = np.mean(parts[1:], axis=0)
    return out


@dataclass(slots=True)
class NetworkPass:
    """What a whole pass forward leaves: of each layer, and how its end was weighed up."""

    layers: list[LayerPass]
    weighed: Singles


def forward(net: Network, x: Singles) -> tuple[Singles, NetworkPass]:
    """Return the two scores (time, record, score) of records (time, record, feature)."""
    seen = np.tanh(x @ net.mixing + net.mixing_bias)
    kept = []
    for layer in net.layers:
        kept.append(_remember(layer, seen))
        seen = kept[-1].units[1:]
    weighed = np.tanh(seen @ net.weighing + net.weighing_bias)
    return weighed @ net.outer + net.outer_bias, NetworkPass(kept, weighed)


def _remember(layer: Layer, given: Singles) -> LayerPass:
    steps, count, _ = given.shape
    n = len(layer.across_bias)
    drive = given @ layer.inner + layer.bias
    units = np.zeros((steps + 1, count, n), np.float32)
    gates = np.empty((steps, count, 2 * n), np.float32)
    reset_input = np.empty((steps, count, n), np.float32)
    fresh = np.empty((steps, count, n), np.float32)
    for t in range(steps):
        across = units[t] @ layer.across
        gates[t] = 0.5 + 0.5 * np.tanh(0.5 * (drive[t, :, : 2 * n] + across[:, : 2 * n]))
        reset_input[t] = across[:, 2 * n :] + layer.across_bias
        fresh[t] = np.tanh(drive[t, :, 2 * n :] + gates[t, :, :n] * reset_input[t])
        units[t + 1] = fresh[t] + gates[t, :, n:] * (units[t] - fresh[t])
    return LayerPass(given, units, gates, reset_input, fresh)


def backward(net: Network, x: Singles, passed: NetworkPass, pull: Singles) -> list[Singles]:
    """Return the gradient of each of `parts`, given that of the two scores at each step."""
    kept, weighed = passed.layers, passed.weighed
    last = kept[-1].units[1:]
    units = weighed.shape[2]
    pulls = pull.reshape(-1, SCORES)
    back = (pull @ net.outer.T) * (1.0 - weighed * weighed)
    flat = back.reshape(-1, units)
    end = [
        last.reshape(-1, units).T @ flat, flat.sum(axis=0),
        weighed.reshape(-1, units).T @ pulls, pulls.sum(axis=0),
    ]  # fmt: skip
    back = back @ net.weighing.T
    middle: list[Singles] = []
    for layer, each in zip(reversed(net.layers), reversed(kept), strict=True):
        own, back = _back_through(layer, each, back)
        middle = own + middle
    back = back * (1.0 - kept[0].given ** 2)
    flat = back.reshape(-1, units)
    return [x.reshape(len(flat), -1).T @ flat, flat.sum(axis=0), *middle, *end]


def _back_through(layer: Layer, kept: LayerPass, pull: Singles) -> tuple[list[Singles], Singles]:
    """Return the gradient of a layer's arrays, and that of what came in."""
    steps, count, n = kept.reset_input.shape
    of_drive = np.empty((steps, count, 3 * n), np.float32)
    of_across = np.empty((steps, count, 3 * n), np.float32)
    back = np.zeros((count, n), np.float32)
    turned = layer.across.T.copy()
    for t in range(steps - 1, -1, -1):
        back = back + pull[t]
        reset, keep, fresh = kept.gates[t, :, :n], kept.gates[t, :, n:], kept.fresh[t]
        of_fresh = back * (1.0 - keep) * (1.0 - fresh * fresh)
        of_drive[t, :, :n] = of_fresh * kept.reset_input[t] * reset * (1.0 - reset)
        of_drive[t, :, n : 2 * n] = back * (kept.units[t] - fresh) * keep * (1.0 - keep)
        of_drive[t, :, 2 * n :] = of_fresh
        of_across[t, :, : 2 * n] = of_drive[t, :, : 2 * n]
        of_across[t, :, 2 * n :] = of_fresh * reset
        back = back * keep + of_across[t] @ turned
    flat_drive, flat_across = of_drive.reshape(-1, 3 * n), of_across.reshape(-1, 3 * n)
    own = [
        kept.given.reshape(len(flat_drive), -1).T @ flat_drive,
        kept.units[:-1].reshape(-1, n).T @ flat_across,
        flat_drive.sum(axis=0),
        flat_across[:, 2 * n :].sum(axis=0),
    ]
    return own, of_drive @ layer.inner.T
