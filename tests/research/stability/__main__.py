"""The benchmark of the stabilisation detector.

    python -m tests.research.stability --seeds 480 --pairs 120 --tuning 144 --limits --picture F
    python -m tests.research.stability --only-ours --kinds "aging salt" --seeds 100 --pairs 0
    python -m tests.research.stability elsewhere --seeds 1200 --workers 2
    python -m tests.research.stability conditions --seeds 1200 --workers 2
    python -m tests.research.stability word --seeds 1200 --workers 2
    python -m tests.research.stability rearm --seeds 100
    python -m tests.research.stability cost
    python -m tests.research.stability train --batches 60000 --workers 2

The first judges every detector on the same held-out batches: wrong calls
(any in the record), misses (no right call though 30 min of record follow), and
delay beyond the true end of mixing, a missed batch counting as infinite.
Rivals get window and threshold from the training seeds, at the least of 5 x
wrong + missed + median delay in hours.  The second judges a family of kinetics
that training leaves out, the third batches of another generator, the fourth
those of both under what makes them harder: a slow thermometer, a long pour,
leftover water, coarse steps, fouling, an open vessel.  The fifth
holds the confidence stated against what came, on both generators; the sixth
watches additions after the call; the seventh measures what a reading costs; the
last gathers what is seen of training batches, learns the score, sets its limits
on batches that were not learned from, and writes
`daemon/mixing/stability/weights.py`.
"""

from __future__ import annotations

import argparse
import functools
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.parts.weights import weights
from tests.research.stability import campaign, formula, rearm, report, rivals, train, trained, word
from tests.research.stability.campaign import HELD_OUT_SEED, TRAINING_SEED, Job, jobs, stream
from tests.research.stability.figures import record
from tests.research.stability.kinds import CONDITIONS, JUDGED, KINDS
from tests.research.stability.play import readings
from tests.research.stability.probe import Trace
from tests.research.stability.score import Verdict, judge, tally

OURS = "brinewright"
STATION = "brinewright, through the station"
LIMITS = (-4.0, -2.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
"""Limits of the score that the operating curve shows; the one in use came from training."""

CONDITIONED_SEED = 52_000_000
"""First seed of held-out batches under conditions."""

Tuned = dict[str, tuple[float, list[float], float]]
Judged = tuple[dict[str, list[Verdict]], dict[str, list[list[Verdict]]]]


def main() -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(prog="python -m tests.research.stability")
    parser.add_argument("what", nargs="?", default="judge", choices=list(VERBS))
    parser.add_argument("--seeds", type=int, default=1200, help="held-out batches of one fault")
    parser.add_argument("--pairs", type=int, default=300, help="held-out batches of two faults")
    parser.add_argument("--tuning", type=int, default=480, help="batches to tune the rivals on")
    parser.add_argument("--only-ours", action="store_true", help="leave the rivals out")
    parser.add_argument("--seed", type=int, help="first held-out seed, if another")
    parser.add_argument("--pump-input", action="store_true", help="play with a pump input, too")
    parser.add_argument("--through-station", action="store_true", help="play the service, too")
    parser.add_argument("--limits", action="store_true", help="show the score at other limits")
    parser.add_argument("--picture", type=Path, help="where to write the operating curves (SVG)")
    parser.add_argument("--batches", type=int, default=60000, help="training batches")
    parser.add_argument("--records", type=Path, help="keeps what training gathered, or has it")
    parser.add_argument("--workers", type=int, default=1, help="processes side by side")
    parser.add_argument("--kinds", help="judge these kinds, with commas between, and no others")
    given = parser.parse_args()
    VERBS[given.what](given)


def say(text: str) -> None:
    """Print, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def judge_elsewhere(given: argparse.Namespace) -> None:
    """Judge the detector on batches of the second generator."""
    first_seed = given.seed or formula.FIRST_SEED
    for title, todo in (
        ("One fault", formula.jobs(given.seeds, first_seed)),
        ("Two faults", formula.pair_jobs(given.pairs, first_seed)),
    ):
        verdicts = judged(campaign.elsewhere, todo, given.workers)
        if verdicts:
            say(f"{title}\n\n{report.by_kind(verdicts)}\n\n{report.severity(verdicts)}\n")


def judge_conditions(given: argparse.Namespace) -> None:
    """Judge the detector on batches of both generators under conditions."""
    first_seed = given.seed or CONDITIONED_SEED
    for title, work, todo in (
        ("First", campaign.here, campaign.conditioned_jobs(first_seed, given.seeds)),
        ("Second", campaign.elsewhere, formula.conditioned_jobs(given.seeds, first_seed)),
    ):
        verdicts = judged(work, todo, given.workers)
        say(f"{title} generator\n\n{report.by_part(verdicts, (*CONDITIONS, *KINDS))}\n")


def judged(
    work: Callable[[list[Job]], list[Verdict]], todo: list[Job], workers: int
) -> list[Verdict]:
    """Return the verdicts of jobs in their order, whoever judged them."""
    return [verdict for part in campaign.shared(work, todo, workers) for verdict in part]


def hold_word(given: argparse.Namespace) -> None:
    """Hold the confidence stated against what came, on both generators."""
    singles = jobs(given.seed or HELD_OUT_SEED, max(1, given.seeds // len(KINDS)), 0)
    for title, gather, todo in (
        ("One fault", word.held_out, singles),
        ("Second generator", word.by_formula, formula.jobs(given.seeds)),
    ):
        found = [each for some in campaign.shared(gather, todo, given.workers) for each in some]
        say(f"{title}\n\n{word.told(word.of(found))}\n")


def compare(given: argparse.Namespace) -> None:
    """Judge every detector on the same held-out batches, and print the tables."""
    kinds = tuple(given.kinds.split(",")) if given.kinds else JUDGED
    first_seed = given.seed or HELD_OUT_SEED
    singles = jobs(first_seed, max(1, given.seeds // len(kinds)), 0, kinds)
    doubles = jobs(first_seed, 0, given.pairs)
    tuned = {} if given.only_ours else tune_all(given.tuning)
    results, points = judge_all(singles, tuned, given)
    say("One fault\n\n" + report.table(results) + "\n\n" + report.by_kind(results[OURS]))
    say("\n" + report.severity(results[OURS]))
    if given.through_station:
        say(f"\n{STATION}\n\n" + report.by_kind(results[STATION]))
    say_limits(results)
    if doubles:
        paired, _ = judge_all(doubles, tuned, given)
        say("\nTwo faults\n\n" + report.table(paired) + "\n\n" + report.by_kind(paired[OURS]))
        say("\n" + report.severity(paired[OURS]))
        say_limits(paired)
    if given.picture is not None and tuned:
        given.picture.write_text(report.picture(points))


def say_limits(results: dict[str, list[Verdict]]) -> None:
    """Print how first calls would do at other limits, which chooses nothing."""
    rows = {name: found for name, found in results.items() if name.startswith("limit ")}
    if rows:
        say("\nFirst calls at other limits\n\n" + report.counts(rows))


def at_limits(trace: Trace, limits: tuple[float, ...]) -> dict[str, Verdict]:
    """Return how the first call at each limit does, from one run over the figures."""
    net = trained.network_of(weights())
    found = record(trace, tail_s=math.inf, longest_s=math.inf)
    if not len(found.t_s):
        return {}
    (scores,) = train.scores(net, [found])
    return {
        f"limit {limit:.1f}": judge(
            trace.kind, train.calls(found, scores, limit), trace.t_s, trace.over, trace.over_s
        )
        for limit in limits
    }


def tune_all(count: int) -> Tuned:
    """Return window, thresholds and best threshold of each rival, from training seeds."""
    todo = list(stream(jobs(TRAINING_SEED, max(1, count // len(KINDS)), 0)))
    tuned = {}
    for name in rivals.RIVALS:
        curve = campaign.tune(name, todo)
        tuned[name] = (curve.minutes, curve.thresholds, campaign.best(curve))
        say(f"tuned {name}: window {curve.minutes:g} min, threshold {tuned[name][2]:.4g}")
    return tuned


def judge_some(todo: list[tuple[str, int]], tuned: Tuned, given: argparse.Namespace) -> Judged:
    """Return verdicts of all detectors on jobs, and of rivals at each threshold."""
    results: dict[str, list[Verdict]] = {}
    at: dict[str, list[list[Verdict]]] = {name: [[] for _ in row[1]] for name, row in tuned.items()}
    for trace in stream(todo):
        for name, verdict in own(trace, given, with_rules=bool(tuned)).items():
            results.setdefault(name, []).append(verdict)
        for name, (minutes, thresholds, _) in tuned.items():
            curve = campaign.rival_curve(name, minutes, [trace], thresholds)
            for so_far, new in zip(at[name], curve.verdicts, strict=True):
                so_far.extend(new)
    return results, at


def judge_all(
    todo: list[tuple[str, int]], tuned: Tuned, given: argparse.Namespace
) -> tuple[dict[str, list[Verdict]], dict[str, list[report.Point]]]:
    """Return verdicts of all detectors on jobs, and the operating curves of the tuned ones."""
    results: dict[str, list[Verdict]] = {}
    at: dict[str, list[list[Verdict]]] = {name: [[] for _ in row[1]] for name, row in tuned.items()}
    work = functools.partial(judge_some, tuned=tuned, given=given)
    for some, some_at in campaign.shared(work, todo, given.workers):
        for name, found in some.items():
            results.setdefault(name, []).extend(found)
        for name, curve in some_at.items():
            for so_far, new in zip(at[name], curve, strict=True):
                so_far.extend(new)
    points = {}
    for name, (_, thresholds, best) in tuned.items():
        results[f"{name}, tuned"] = at[name][thresholds.index(best)]
        points[name] = [point(found) for found in at[name]]
    points["bound: all known but the heap"] = [point(results["bound: all known but the heap"])]
    points[f"{OURS}, as set"] = [point(results[OURS])]
    if given.limits:
        points[f"{OURS}, other limits"] = [
            point(found) for name, found in results.items() if name.startswith("limit ")
        ]
    return results, points


def point(verdicts: list[Verdict]) -> report.Point:
    """Return where verdicts lie in the picture."""
    t = tally(verdicts)
    return t.false, t.median_min


def own(trace: Trace, given: argparse.Namespace, *, with_rules: bool) -> dict[str, Verdict]:
    """Return the verdicts that need no tuning."""
    found = {
        "bound: all known but the heap": campaign.bounded(trace),
        OURS: campaign.ours(trace),
    }
    if given.pump_input:
        found[f"{OURS}, pump input"] = campaign.ours(trace, with_pump=True)
    if given.through_station:
        found[STATION] = campaign.serviced(trace)
    if given.limits and np.array_equal(trace.t_s, trace.wall_s):
        found |= at_limits(trace, LIMITS)
    if with_rules:
        calls = rivals.as_written(trace)
        found["changed less than 0.1 mS/cm in 5 min, as written"] = judge(
            trace.kind, calls, trace.t_s, trace.over, trace.over_s
        )
    return found


def cost() -> str:
    """Return the mean CPU time that a reading takes, over batches of all kinds and by interval."""
    from daemon.mixing.stability.detector import Stability

    spent: dict[str, list[float]] = {"under 1 s": [], "1 to 3 s": [], "3 to 10 s": []}
    count = dict.fromkeys(spent, 0)
    for trace in stream(jobs(HELD_OUT_SEED + 50_000, 2, 0)):
        rows = list(zip(trace.t_s.tolist(), readings(trace), strict=True))
        detector = Stability()
        detector.arm(trace.arm_s)
        began = time.process_time()
        for t_s, row in rows:
            detector.advance(t_s, row, weights())
        took = time.process_time() - began
        group = list(spent)[int(trace.every_s >= 1.0) + int(trace.every_s >= 3.0)]
        spent[group].append(took)
        count[group] += len(rows)
    lines = [
        f"read every {name}: {1e6 * sum(took) / max(1, count[name]):.1f} us a reading"
        for name, took in spent.items()
    ]
    whole = 1e6 * sum(map(sum, spent.values())) / sum(count.values())
    return "\n".join([*lines, f"all: {whole:.1f} us a reading"])


VERBS: dict[str, Callable[[argparse.Namespace], None]] = {
    "judge": compare,
    "elsewhere": judge_elsewhere,
    "conditions": judge_conditions,
    "word": hold_word,
    "rearm": lambda given: say(rearm.run(given.seeds)),
    "cost": lambda _given: say(cost()),
    "train": lambda given: train.run(given.batches, given.workers, given.records),
}


if __name__ == "__main__":
    main()
