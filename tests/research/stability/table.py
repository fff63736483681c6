"""Writing the learned weights out as a module that the detector imports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from daemon.mixing.stability import weights
from daemon.mixing.stability.features import NAMES
from tests.research.stability.network import Layer, Network, Singles

_HEAD = '''"""Weights of the score that tells whether mixing is over.

Written by `python -m tests.research.stability train`; not to be edited by hand.
"""

# fmt: off
'''
DIGITS = 3
"""Decimals of a weight."""


def module(net: Network, limit: float, limit_pump_known: float) -> str:
    """Return the text of the weights module."""
    parts = [_HEAD, f"LIMIT = {limit:.2f}\n", f"LIMIT_PUMP_KNOWN = {limit_pump_known:.2f}\n"]
    layers = net.layers
    parts.append(_array("MIXING", [row.tolist() for row in net.mixing], NAMES))
    parts.append(_array("MIXING_BIAS", net.mixing_bias.tolist()))
    parts.append(_array("BIAS", [each.bias.tolist() for each in layers]))
    parts.append(_array("ACROSS_BIAS", [each.across_bias.tolist() for each in layers]))
    parts.append(_array("WEIGHING_BIAS", net.weighing_bias.tolist()))
    parts.append(_array("OUTER", net.outer.T.tolist(), ("log odds", "whether to call")))
    parts.append(_array("OUTER_BIAS", net.outer_bias.tolist()))
    parts.append(_array("WEIGHING", net.weighing.tolist()))
    parts.append(_array("INNER", [each.inner.tolist() for each in layers]))
    parts.append(_array("ACROSS", [each.across.tolist() for each in layers]))
    return "".join(parts)


def shipped() -> Network:
    """Return the network whose table the detector uses."""

    def single(values: object) -> Singles:
        return np.array(values, np.float32)

    return Network(
        single(weights.MIXING), single(weights.MIXING_BIAS),
        [
            Layer(*map(single, each))
            for each in zip(
                weights.INNER, weights.ACROSS, weights.BIAS, weights.ACROSS_BIAS, strict=True
            )
        ],
        single(weights.WEIGHING),
        single(weights.WEIGHING_BIAS),
        single(weights.OUTER).T.copy(), single(weights.OUTER_BIAS),
    )  # fmt: skip


def _number(value: float) -> str:
    """Return a number without needless digits, and never a minus nought."""
    text = repr(round(value, DIGITS) + 0.0)
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) and text != "0.0" else text


def _array(title: str, values: list[Any], names: Sequence[str] = ()) -> str:
    return f"{title} = {_nested(values, 4, names)}\n"


def _nested(values: list[Any], indent: int, names: Sequence[str] = ()) -> str:
    """Return nested tuples, the innermost in lines of at most 100 characters."""
    if not isinstance(values[0], list):
        return "(\n" + _lines([_number(v) for v in values], indent) + " " * (indent - 4) + ")"
    inner = []
    for k, each in enumerate(values):
        note = f"# {names[k]}\n" + " " * indent if names else ""
        inner.append(" " * indent + note + _nested(each, indent + 4) + ",\n")
    return "(\n" + "".join(inner) + " " * (indent - 4) + ")"


def _lines(items: list[str], indent: int) -> str:
    """Return comma-separated items in lines of at most 100 characters."""
    out, line = [], " " * indent
    for item in items:
        if len(line) + len(item) + 2 > 100:
            out.append(line.rstrip())
            line = " " * indent
        line += f"{item}, "
    out.append(line.rstrip())
    return "\n".join(out) + "\n"
