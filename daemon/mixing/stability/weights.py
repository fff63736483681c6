"""The learned weights of the network, as plain arrays; what they mean is in `MODEL_CARD.md`.

They are a data file (`weights.npz`), read at the edge and handed in.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from daemon.mixing.stability.cells import Floats
from daemon.mixing.stability.familiarity import Envelope
from daemon.mixing.stability.features import FEATURE_NAMES
from daemon.mixing.stability.release_head import ReleaseHead

SCORES = 2
"""What comes out: the log odds that mixing is over, and whether to call now."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of the network and the limit of its second score.

    The three blocks of `inner`, `across` and `bias` are reset, keep and fresh.

    Attributes:
        mixing: Features by units: how the features of a cell are mixed.
        mixing_bias: A unit.
        inner: Layers by units by three times the units: what comes in.
        across: Layers by units by three times the units: what is remembered.
        bias: Layers by three times the units.
        across_bias: Layers by units, within the reset.
        weighing: Units of the last layer by units.
        weighing_bias: A unit.
        outer: Scores by units: log odds that mixing is over, and whether to call now.
        outer_bias: A score.
        limit: Score that a call needs.
        head: Of the release forecast, trained on this network; None where none is, and then
            nothing is forecast.
        envelope: What the half minutes that it learned from were like; None where nobody knows,
            and then all are taken for familiar.
    """

    mixing: Floats
    mixing_bias: Floats
    inner: Floats
    across: Floats
    bias: Floats
    across_bias: Floats
    weighing: Floats
    weighing_bias: Floats
    outer: Floats
    outer_bias: Floats
    limit: float
    head: ReleaseHead | None = None
    envelope: Envelope | None = None

    def __post_init__(self) -> None:
        """Check that the arrays fit together.

        Raises:
            ValueError: One has another shape than the others and the features ask for, or the
                head belongs to another network.
        """
        layers, units = self.across_bias.shape if self.across_bias.ndim == 2 else (0, 0)  # noqa: PLR2004 - layers by units
        if not layers or not units:
            raise ValueError("across_bias is not layers by units")
        for name, shape in (
            ("mixing", (len(FEATURE_NAMES), units)),
            ("mixing_bias", (units,)),
            ("inner", (layers, units, 3 * units)),
            ("across", (layers, units, 3 * units)),
            ("bias", (layers, 3 * units)),
            ("weighing", (units, units)),
            ("weighing_bias", (units,)),
            ("outer", (SCORES, units)),
            ("outer_bias", (SCORES,)),
        ):
            actual = getattr(self, name).shape
            if actual != shape:
                raise ValueError(f"{name} has the shape {actual}, not {shape}")
        if self.head is not None and self.head.mark != self.mark:
            raise ValueError("the head was trained on another network")

    @property
    def mark(self) -> str:
        """Mark of the weights; what a network remembered with others means nothing with these."""
        remembering = (
            self.mixing, self.mixing_bias, self.inner, self.across, self.bias, self.across_bias,
        )  # fmt: skip
        return hashlib.sha256(b"".join(part.tobytes() for part in remembering)).hexdigest()[:16]
