"""Training: gather, learn, set the limits, write the table.

Single faults and pairs are learned together.  The limits are set on training
batches that the networks did not see.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.mixing import stability as detector
from daemon.mixing import stability_score as score
from daemon.mixing.stability_motion import AGE_OFFSET_MIN
from tests.benchmarks.stability import figures, table
from tests.benchmarks.stability.campaign import TRAINING_SEED, jobs, records
from tests.benchmarks.stability.figures import Record
from tests.benchmarks.stability.learn import Network, log_odds, merged, train
from tests.benchmarks.stability.score import Verdict, judge, tally

WEIGHTS = Path("daemon/mixing/stability_weights.py")
"""What training writes, from the root of the repository."""

HIDDEN = 16
EPOCHS = 35
TOGETHER = 3
CAUTION = 3.0
MOST_FALSE = 0.025
MOST_FALSE_PUMP_KNOWN = 0.012
_SET_ASIDE = 0.25


def learn(found: list[Record], seeds: range) -> Network:
    """Return networks from several beginnings, averaged into one."""
    moments = open_moments(found)
    return merged([train(moments, seed, HIDDEN, EPOCHS, CAUTION) for seed in seeds])


def verdicts(net: Network, found: list[Record], limit: float) -> list[Verdict]:
    """Return how first calls at a limit do."""
    out = []
    for each in found:
        odds = log_odds(net, each.table.astype(np.float64))
        odds[vetoed(each)] = -np.inf
        passed = odds > limit
        twice = np.flatnonzero(passed[1:] & passed[:-1]) + 1
        calls = [float(each.t_s[twice[0]])] if len(twice) else []
        out.append(judge(each.kind, calls, each.t_s, each.over, each.over_s))
    return out


def vetoed(found: Record) -> npt.NDArray[np.bool_]:
    """Return where the detector's vetoes forbid a call."""
    where = {name: k for k, name in enumerate(figures.NAMES)}
    highest = np.maximum.accumulate(np.minimum(found.level, detector.MOST_SALINITY))
    return np.asarray(
        (found.table[:, where["cover_10min"]] < score.LEAST_COVER)
        | (found.table[:, where["odds_beyond_tolerance"]] > score.MOST_ODDS_BEYOND)
        | (found.table[:, where["odds_beyond_trusting"]] > score.MOST_ODDS_BEYOND_TRUSTING)
        | (found.level > detector.MOST_SALINITY)
        | (found.table[:, where["age_of_0.2"]] < math.log(score.LEAST_REST_MIN + AGE_OFFSET_MIN))
        | (found.level < detector.LEAST_SALINITY)
        | (found.level < detector.FALLEN * highest)
    )


def open_moments(found: list[Record]) -> list[Record]:
    """Return records of the moments alone at which the score has a say."""
    return chosen(found, [~vetoed(each) for each in found])


def chosen(found: list[Record], where: list[npt.NDArray[np.bool_]]) -> list[Record]:
    """Return records with some of their moments."""
    kept = [
        Record(
            each.kind, each.seed, each.t_s[on], each.table[on], each.level[on], each.over[on],
            each.over_s, each.known[on],
        )
        for each, on in zip(found, where, strict=True)
    ]  # fmt: skip
    return [each for each in kept if len(each.t_s)]


def limit_for(net: Network, found: list[Record], most_false: float) -> float:
    """Return the lowest limit that keeps wrong calls within a share."""
    for limit in np.arange(0.0, 9.0, 0.1):
        if tally(verdicts(net, found, float(limit))).false <= most_false:
            return float(limit)
    return 9.0


def pump_known(found: list[Record]) -> list[Record]:
    """Return records without the moments that a pump input would have forbidden."""
    return chosen(found, [each.known for each in found])


def run(per_kind: int, pairs: int) -> None:
    """Train from nothing and write the weights."""
    found = records(jobs(TRAINING_SEED, per_kind, pairs))
    order = np.random.default_rng(0).permutation(len(found))
    cut = int((1.0 - _SET_ASIDE) * len(found))
    trial = learn([found[k] for k in order[:cut]], range(TOGETHER))
    aside = [found[k] for k in order[cut:]]
    singles = [each for each in aside if "+" not in each.kind]
    limit = limit_for(trial, singles, MOST_FALSE)
    with_pump = limit_for(trial, pump_known(singles), MOST_FALSE_PUMP_KNOWN)
    result = tally(verdicts(trial, singles, limit))
    print(f"set aside: limit {limit:.1f}, with a pump input {with_pump:.1f}; {result}")  # noqa: T201
    net = learn(found, range(TOGETHER))
    WEIGHTS.write_text(table.module(net, figures.NAMES, limit, min(limit, with_pump)))
