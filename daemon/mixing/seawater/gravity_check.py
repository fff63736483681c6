"""Specific gravities that are given as salinities: 1.026 where 34 is meant.

Loads no equations of seawater, for the configuration is checked with it too.
"""

from __future__ import annotations

from daemon.mixing.seawater.gravity_25 import gravity

LOWEST, HIGHEST = 0.9, 1.1
"""What is taken for a specific gravity: more than any water shows; no batch is made so fresh."""

_MAX_SALINITY = 42.0
_HALVINGS = 40


def looks_like_gravity(value: float) -> str:
    """Say that a salinity looks like a specific gravity, and which salinity that is.

    Args:
        value: What was given as practical salinity.

    Returns:
        What follows the name and the value in a sentence; empty where it does not look so.
    """
    if not LOWEST <= value <= HIGHEST:
        return ""
    start = "looks like a specific gravity and not like a salinity;"
    pure, most = _gravity(0.0), _gravity(_MAX_SALINITY)
    if value <= pure:
        return f"{start} at 25/25 °C it is water without salt, 0 ppt"
    if value > most:
        return f"{start} at 25/25 °C seawater has {pure:.3f} to {most:.3f}: give the salinity, ppt"
    return f"{start} at 25/25 °C it is a salinity of {_salinity(value):.1f} ppt: give that"


def refuse_gravity(**salinities: float | None) -> None:
    """Refuse salinities, by the names that a person gave them, that look like specific gravities.

    Raises:
        ValueError: One does; the text is a sentence.
    """
    for name, value in salinities.items():
        text = "" if value is None else looks_like_gravity(value)
        if text:
            raise ValueError(f"{name} = {value:g} {text}")


def _salinity(value: float) -> float:
    low, high = 0.0, _MAX_SALINITY
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _gravity(middle) < value else (low, middle)
    return low


def _gravity(salinity: float) -> float:
    found = gravity(salinity)
    if found is None:
        raise ValueError(f"practical salinity {salinity:g} has no specific gravity here")
    return found
