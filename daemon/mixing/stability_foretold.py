"""What the models foretold some minutes ago, held against what came.

Water that goes on as it did keeps to what was foretold of it.  A stream that
lost its pump brings less; a heap that nothing told of brings more.
"""

from __future__ import annotations

import math

import numpy as np

from daemon.mixing.stability_cells import Floats
from daemon.mixing.stability_fit import Outlook, rise_within
from daemon.mixing.stability_lattice import PER_MIN, signed_log
from daemon.mixing.stability_motion import Memory

HORIZONS_MIN = (3.0, 8.0, 20.0)
"""How far ahead each decision foretells salinity, minutes."""

MOST_LEFT = 1.5
"""Of a forecast by which more than this was left nothing is held against the water: salt that is
still being poured foretells more than comes."""

_REMEMBERED = 120
_GAP_UNIT = 0.01
_MOST_SIGMAS = 8.0
_LEAST_GAP = -0.5
_RISE_COUNTS = 0.08


def keep(memory: Memory, newest: int, level: float, look: Outlook) -> None:
    """Remember what the models foretell now."""
    memory.told_index.append(newest)
    left = float(look.weight @ look.remaining)
    for which, horizon_min in enumerate(HORIZONS_MIN):
        rise, sd = rise_within(look, horizon_min)
        memory.told[which].append((level, rise, sd, abs(left)))
    while memory.told_index[0] < newest - _REMEMBERED:
        del memory.told_index[0]
        for told in memory.told:
            del told[0]


def of_foretold(
    figures: dict[str, float], memory: Memory, newest: int, level: float, level_u: float
) -> None:
    """How much less came than was foretold: by the forecast now due, and by the worst of all."""
    index = np.array(memory.told_index, dtype=np.int64)
    for which, horizon_min in enumerate(HORIZONS_MIN):
        due = int(np.searchsorted(index, newest - horizon_min * PER_MIN, side="right"))
        gap, sigmas, worst = 0.0, 0.0, (_LEAST_GAP, -_MOST_SIGMAS, 0.0)
        if due:
            told = np.array(memory.told[which][:due])
            gaps = told[:, 0] + told[:, 1] - level
            surely = gaps / np.hypot(told[:, 2], level_u)
            gap, sigmas = float(gaps[-1]), float(surely[-1])
            counts = told[:, 3] < MOST_LEFT
            if counts.any() and not memory.turned:
                worst = _worst(gaps[counts], surely[counts], told[counts, 1], level_u)
        name = f"{horizon_min:.0f}min"
        figures[f"less_than_foretold_{name}"] = signed_log(gap, _GAP_UNIT)
        figures[f"less_in_sigmas_{name}"] = _held(sigmas)
        figures[f"owed_{name}"] = signed_log(max(worst[0], _LEAST_GAP), _GAP_UNIT)
        figures[f"owed_in_sigmas_{name}"] = _held(worst[1])
        figures[f"owed_share_{name}"] = worst[2]


def _worst(
    gaps: Floats, sigmas: Floats, rises: Floats, level_u: float
) -> tuple[float, float, float]:
    """Return the largest gap that is surely one, the surest, and the largest share of a rise."""
    sure = np.where(sigmas > 1.0, gaps * (1.0 - 1.0 / np.maximum(sigmas, 1.0)),
                    np.minimum(gaps, 0.0))  # fmt: skip
    share = (gaps - 2.0 * level_u) / (np.maximum(rises, 0.0) + _RISE_COUNTS)
    return float(sure.max()), float(sigmas.max()), float(np.clip(share.max(), 0.0, 1.2))


def _held(sigmas: float) -> float:
    return math.copysign(min(abs(sigmas), _MOST_SIGMAS), sigmas)
