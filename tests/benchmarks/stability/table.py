"""Writing the learned weights out as a module that the detector imports."""

from __future__ import annotations

from collections.abc import Sequence

from tests.benchmarks.stability.learn import Network

_HEAD = '''"""Weights of the score that tells whether mixing is over.

Written by `python -m tests.benchmarks.stability train`; not to be edited by hand.
"""

# fmt: off
'''


def module(net: Network, names: Sequence[str], limit: float, limit_pump_known: float) -> str:
    """Return the text of the weights module."""
    parts = [_HEAD, f"LIMIT = {limit:.2f}\n", f"LIMIT_PUMP_KNOWN = {limit_pump_known:.2f}\n"]
    parts.append(_tuple("NAMES", [f'"{name}"' for name in names]))
    for title, row in (
        ("MIDDLE", net.middle), ("WIDTH", net.width), ("INNER_BIAS", net.inner_bias),
        ("OUTER", net.outer),
    ):  # fmt: skip
        parts.append(_tuple(title, [_number(v) for v in row.tolist()]))
    parts.append(f"OUTER_BIAS = {_number(net.outer_bias)}\n")
    parts.append("INNER = (\n")
    for name, row in zip(names, net.inner.tolist(), strict=True):
        parts.append(f"    (  # {name}\n")
        parts.append(_lines([_short(v) for v in row], 8))
        parts.append("    ),\n")
    parts.append(")\n")
    return "".join(parts)


def _number(value: float) -> str:
    return _trimmed(f"{value:.3f}")


def _short(value: float) -> str:
    return _trimmed(f"{value:.2f}")


def _trimmed(text: str) -> str:
    """Return a number without needless zeros, and never a minus nought."""
    return repr(float(text) + 0.0)


def _tuple(title: str, items: list[str]) -> str:
    return f"{title} = (\n{_lines(items, 4)})\n"


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
