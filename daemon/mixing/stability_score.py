"""From figures to a decision: a small learned score, and vetoes that it cannot outvote.

The score is the log odds that mixing is over: a network of one hidden layer
over the named figures, whose weights are a table in `stability_weights`.  So
that a person can follow it, a call is told together with what each group of
figures brought to it: the log odds less what they would have been, had that
group told nothing out of the ordinary.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from daemon.entries import JSON
from daemon.mixing import stability_weights as weights
from daemon.mixing.stability_cells import Floats
from daemon.mixing.stability_evidence import TOLERANCE, Evidence
from daemon.mixing.stability_fit import chance_beyond
from daemon.mixing.stability_motion import AGE_OFFSET_MIN

LIMIT = weights.LIMIT
"""Log odds that a call needs when nobody says whether the pump runs."""

LIMIT_PUMP_KNOWN = weights.LIMIT_PUMP_KNOWN
"""The same while a pump input says that it does."""

MOST_ODDS_BEYOND = 4.0
"""Log odds, by the cautious models alone, of more than the tolerance still to come."""

MOST_ODDS_BEYOND_TRUSTING = 4.0
"""The same by the trusting models, which see the last 40 min."""

LEAST_REST_MIN = 6.0
"""How long salinity must have been within 0.2 of now, minutes."""

LEAST_COVER = 0.4
"""Share of the last 10 min that must have readings."""

_CLIP = 4.0

_LEAST_AGE = math.log(LEAST_REST_MIN + AGE_OFFSET_MIN)

_MIDDLE: Floats = np.array(weights.MIDDLE)
_WIDTH: Floats = np.array(weights.WIDTH)
_INNER: Floats = np.array(weights.INNER)
_INNER_BIAS: Floats = np.array(weights.INNER_BIAS)
_OUTER: Floats = np.array(weights.OUTER)

_GROUPS = {
    "remainder": ("odds_beyond", "remaining", "share", "misfit", "series"),
    "slope": ("change",),
    "approach": ("age_of", "came_from", "was_off"),
    "halt": ("shortfall", "broken", "less", "owed"),
    "noise": (
        "cell_scatter",
        "long_run",
        "reading_noise",
        "scatter_beyond",
        "cut_low",
        "quieter",
        "calmer",
        "slow_scatter",
        "hush",
        "louder",
    ),
    "life": ("conductivity", "temperature_run", "cover"),
    "instrument": ("readings_per", "step", "temperature_swing", "temperature_rate"),
}


def standardised(figures: Mapping[str, float]) -> Floats:
    """Return the figures as the network takes them."""
    raw = np.array([figures[name] for name in weights.NAMES])
    return np.asarray(np.minimum(np.maximum((raw - _MIDDLE) / _WIDTH, -_CLIP), _CLIP))


def log_odds(figures: Mapping[str, float]) -> float:
    """Return the log odds that mixing is over."""
    return _score(standardised(figures))


def _score(x: Floats) -> float:
    return float(np.tanh(x @ _INNER + _INNER_BIAS) @ _OUTER) + weights.OUTER_BIAS


def veto(figures: Mapping[str, float]) -> str:
    """Return why no call may be made whatever the score says; empty when none."""
    if figures["cover_10min"] < LEAST_COVER:
        return "too few readings in the last 10 min"
    if figures["odds_beyond_tolerance"] > MOST_ODDS_BEYOND:
        return "the models expect more to come"
    if figures["odds_beyond_trusting"] > MOST_ODDS_BEYOND_TRUSTING:
        return "the models of the last 40 min expect more to come"
    if figures["age_of_0.2"] < _LEAST_AGE:
        return "salinity moved only minutes ago"
    return ""


def brought(figures: Mapping[str, float]) -> dict[str, float]:
    """Return what each group of figures brought to the log odds."""
    x = standardised(figures)
    whole = _score(x)
    parts = {}
    for group, starts in _GROUPS.items():
        usual = np.array([0.0 if name.startswith(starts) else 1.0 for name in weights.NAMES])
        parts[group] = round(whole - _score(x * usual), 2)
    return parts


def reason(found: Evidence, odds: float, limit: float) -> dict[str, JSON]:
    """Return the figures that a call rests on, for a person to check."""
    look = found.look
    remaining = float(look.weight @ look.remaining)
    parts: dict[str, JSON] = dict(brought(found.figures))
    return {
        "log_odds": round(odds, 2),
        "limit": round(limit, 2),
        "window_min": 20,
        "slope_per_h": round(found.slope_per_h, 4),
        "slope_low_per_h": round(found.slope_per_h - 1.96 * found.slope_u_per_h, 4),
        "slope_high_per_h": round(found.slope_per_h + 1.96 * found.slope_u_per_h, 4),
        "effective_samples": round(found.effective, 1),
        "remaining": round(remaining, 4),
        "chance_beyond_tolerance": round(chance_beyond(look, TOLERANCE), 5),
        "tolerance": TOLERANCE,
        "scatter": round(found.sigma, 5),
        "brought": parts,
    }
