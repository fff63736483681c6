"""The head of the release forecast: what turns inputs into quantiles, as plain arrays.

One hidden layer beside a linear way through.  Three numbers come out for each quantity: the
middle, and what the 10 % quantile lies below it and the 90 % quantile above it, through a
softplus, so that quantiles never cross.

They are a data file (`release_forecast.npz`), read at the edge and handed in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from daemon.mixing.stability.cells import Floats

QUANTITIES = 2
"""Logarithm of one more than the minutes until the call; how far salinity has to go, scaled."""

QUANTILES = (0.1, 0.5, 0.9)
"""The interval between the outer two is one of 80 %."""

_OUT = QUANTITIES * len(QUANTILES)


@dataclass(frozen=True, slots=True)
class ReleaseHead:
    """Weights of the head, and the network that it was trained on.

    Attributes:
        mark: Of the weights of the network whose units it takes.
        mean: Of each input, over the training.
        scale: Standard deviation of each input.
        inner: Inputs by hidden units.
        inner_bias: A hidden unit.
        outer: Hidden units by what comes out.
        through: Inputs by what comes out.
        outer_bias: Of what comes out.
        stretch: Quantities by two: factors of the distance of the outer quantiles from the
            middle, set on batches that were not learned from.
    """

    mark: str
    mean: Floats
    scale: Floats
    inner: Floats
    inner_bias: Floats
    outer: Floats
    through: Floats
    outer_bias: Floats
    stretch: Floats

    def __post_init__(self) -> None:
        """Check that the arrays fit together.

        Raises:
            ValueError: One has another shape than the others ask for.
        """
        inputs, hidden = self.inner.shape if self.inner.ndim == 2 else (0, 0)  # noqa: PLR2004 - inputs by units
        if not inputs or not hidden:
            raise ValueError("inner is not inputs by hidden units")
        for name, shape in (
            ("mean", (inputs,)),
            ("scale", (inputs,)),
            ("inner_bias", (hidden,)),
            ("outer", (hidden, _OUT)),
            ("through", (inputs, _OUT)),
            ("outer_bias", (_OUT,)),
            ("stretch", (QUANTITIES, 2)),
        ):
            actual = getattr(self, name).shape
            if actual != shape:
                raise ValueError(f"{name} has the shape {actual}, not {shape}")


def quantiles(head: ReleaseHead, inputs: Floats) -> Floats:
    """Return quantities by quantiles, ascending.

    Raises:
        ValueError: There are not as many inputs as the head was trained on.
    """
    if inputs.shape != head.mean.shape:
        raise ValueError(f"the head takes {head.mean.shape[0]} inputs, not {inputs.shape[0]}")
    x = (inputs - head.mean) / head.scale
    hidden = np.tanh(x @ head.inner + head.inner_bias)
    out = hidden @ head.outer + x @ head.through + head.outer_bias
    below, middle, above = out.reshape(QUANTITIES, len(QUANTILES)).T
    low = middle - np.logaddexp(0.0, below) * head.stretch[:, 0]
    high = middle + np.logaddexp(0.0, above) * head.stretch[:, 1]
    return np.stack([low, middle, high], axis=1)
