"""The research behind the detector of the end of mixing; README.md says how to run it.

Each command prints Markdown.  Batches have seeds; those that judge are none that anything
was trained or tuned on.  A wrong call is any in the record, a missed batch one without a right
call though 30 min of record follow, and the delay counts from the true end of mixing, a missed
batch as infinite.  Baselines get window and threshold from training seeds, at the least of 5 x
wrong + missed + median delay in hours.
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

from daemon.weights_file import load_weights
from tests.parts.weights import weights
from tests.research.stability import (
    apart_judgement,
    baselines,
    disturbances,
    evaluation,
    release_judgement,
    release_training,
    reliability,
    report,
    second_generator,
    stated_confidence,
    training,
    variety,
    weights_export,
)
from tests.research.stability.batch_kinds import CONDITIONS, JUDGED, KINDS
from tests.research.stability.detector_run import readings
from tests.research.stability.evaluation import HELD_OUT_SEED, TRAINING_SEED, Job, jobs, stream
from tests.research.stability.feature_records import feature_record
from tests.research.stability.probe_model import Trace
from tests.research.stability.sources import SOURCES
from tests.research.stability.verdicts import Verdict, judge, tally

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
    parser.add_argument("command", choices=list(COMMANDS))
    parser.add_argument("--seeds", type=int, default=1200, help="held-out batches of one fault")
    parser.add_argument("--pairs", type=int, default=300, help="held-out batches of two faults")
    parser.add_argument("--tuning", type=int, default=480, help="batches to tune baselines on")
    parser.add_argument("--seed", type=int, help="first held-out seed, if another")
    parser.add_argument("--pump-input", action="store_true", help="run with a pump input, too")
    parser.add_argument("--through-station", action="store_true", help="run the station, too")
    parser.add_argument("--limits", action="store_true", help="show the score at other limits")
    parser.add_argument("--picture", type=Path, help="where to write the operating curves (SVG)")
    parser.add_argument("--batches", type=int, default=60000, help="training batches of a set")
    parser.add_argument("--records", type=Path, help="file of training records")
    parser.add_argument("--to", type=Path, help="where to write the weights")
    parser.add_argument("--start", type=Path, help="weights that training goes on from")
    parser.add_argument("--workers", type=int, default=1, help="processes side by side")
    parser.add_argument("--generator", choices=list(SOURCES), default="apart", help="of `apart`")
    parser.add_argument("--kinds", help="judge these kinds, with commas between, and no others")
    given = parser.parse_args()
    lacking = [each for each in NEEDS.get(given.command, ()) if getattr(given, each) is None]
    if lacking:
        parser.error(f"{given.command} needs --{lacking[0]} FILE")
    COMMANDS[given.command](given)


def say(text: str) -> None:
    """Print, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def judge_second_generator(given: argparse.Namespace) -> None:
    """Judge the detector on batches of the second generator."""
    first_seed = given.seed or second_generator.FIRST_SEED
    for title, todo in (
        ("One fault", second_generator.jobs(given.seeds, first_seed)),
        ("Two faults", second_generator.pair_jobs(given.pairs, first_seed)),
    ):
        verdicts = judged(evaluation.evaluate_second, todo, given.workers)
        if verdicts:
            say(f"{title}\n\n{report.by_kind(verdicts)}\n\n{report.severity(verdicts)}\n")


def judge_conditions(given: argparse.Namespace) -> None:
    """Judge the detector on batches of both generators under conditions."""
    first_seed = given.seed or CONDITIONED_SEED
    for title, work, todo in (
        ("First", evaluation.evaluate_first, evaluation.conditioned_jobs(first_seed, given.seeds)),
        (
            "Second",
            evaluation.evaluate_second,
            second_generator.conditioned_jobs(given.seeds, first_seed),
        ),
    ):
        verdicts = judged(work, todo, given.workers)
        say(f"{title} generator\n\n{report.by_part(verdicts, (*CONDITIONS, *KINDS))}\n")


def judged(
    work: Callable[[list[Job]], list[Verdict]], todo: list[Job], workers: int
) -> list[Verdict]:
    """Return the verdicts of jobs in their order, whoever judged them."""
    return [verdict for part in evaluation.in_parallel(work, todo, workers) for verdict in part]


def judge_confidence(given: argparse.Namespace) -> None:
    """Compare the confidence that is stated with what was so, on both generators."""
    singles = jobs(given.seed or HELD_OUT_SEED, max(1, given.seeds // len(KINDS)), 0)
    for title, gather, todo in (
        ("One fault", stated_confidence.first_records, singles),
        ("Second generator", stated_confidence.second_records, second_generator.jobs(given.seeds)),
    ):
        found = [
            each for some in evaluation.in_parallel(gather, todo, given.workers) for each in some
        ]
        say(
            f"{title}\n\n{stated_confidence.calibration_table(stated_confidence.confidence_of(found))}\n"
        )


def judge_shown(given: argparse.Namespace) -> None:
    """Compare the chance that is shown live with what was so, on both generators."""
    first_seed = given.seed or HELD_OUT_SEED
    second_seed = given.seed or second_generator.FIRST_SEED
    for title, work, todo in (
        (
            "First generator",
            reliability.first_shown,
            jobs(first_seed, max(1, given.seeds // len(KINDS)), given.pairs),
        ),
        (
            "Second generator",
            reliability.second_shown,
            second_generator.jobs(given.seeds, second_seed)
            + second_generator.pair_jobs(given.pairs, second_seed),
        ),
    ):
        shown = reliability.together(evaluation.in_parallel(work, todo, given.workers))
        say(f"{title}, {len(todo)} batches\n\n{reliability.table(shown)}\n")


def judge_detector(given: argparse.Namespace) -> None:
    """Judge the detector on held-out batches, and print the tables."""
    compare(given, {})


def judge_baselines(given: argparse.Namespace) -> None:
    """Judge the detector and the tuned baselines on the same held-out batches."""
    compare(given, tune_all(given.tuning))


def compare(given: argparse.Namespace, tuned: Tuned) -> None:
    """Judge the detector, and the baselines that are tuned, on the same held-out batches."""
    kinds = tuple(given.kinds.split(",")) if given.kinds else JUDGED
    first_seed = given.seed or HELD_OUT_SEED
    singles = jobs(first_seed, max(1, given.seeds // len(kinds)), 0, kinds)
    doubles = jobs(first_seed, 0, given.pairs)
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
    """Return how the first call at each limit does, from one run over the features."""
    net = weights_export.network_of(weights())
    found = feature_record(trace, tail_s=math.inf, longest_s=math.inf)
    if not len(found.t_s):
        return {}
    (scores,) = training.scores(net, [found])
    return {
        f"limit {limit:.1f}": judge(
            trace.kind, training.calls(found, scores, limit), trace.t_s, trace.over, trace.over_s
        )
        for limit in limits
    }


def tune_all(count: int) -> Tuned:
    """Return window, thresholds and best threshold of each baseline, from training seeds."""
    todo = list(stream(jobs(TRAINING_SEED, max(1, count // len(KINDS)), 0)))
    tuned = {}
    for name in baselines.BASELINES:
        curve = evaluation.tune(name, todo)
        tuned[name] = (curve.minutes, curve.thresholds, evaluation.best(curve))
        say(f"tuned {name}: window {curve.minutes:g} min, threshold {tuned[name][2]:.4g}")
    return tuned


def judge_some(todo: list[tuple[str, int]], tuned: Tuned, given: argparse.Namespace) -> Judged:
    """Return verdicts of all detectors on jobs, and of baselines at each threshold."""
    results: dict[str, list[Verdict]] = {}
    at: dict[str, list[list[Verdict]]] = {name: [[] for _ in row[1]] for name, row in tuned.items()}
    for trace in stream(todo):
        for name, verdict in own(trace, given, with_rules=bool(tuned)).items():
            results.setdefault(name, []).append(verdict)
        for name, (minutes, thresholds, _) in tuned.items():
            curve = evaluation.baseline_curve(name, minutes, [trace], thresholds)
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
    for some, some_at in evaluation.in_parallel(work, todo, given.workers):
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
        "bound: all known but the heap": evaluation.evaluate_bound(trace),
        OURS: evaluation.evaluate_detector(trace),
    }
    if given.pump_input:
        found[f"{OURS}, pump input"] = evaluation.evaluate_detector(trace, with_pump=True)
    if given.through_station:
        found[STATION] = evaluation.evaluate_station(trace)
    if given.limits and np.array_equal(trace.t_s, trace.wall_s):
        found |= at_limits(trace, LIMITS)
    if with_rules:
        calls = baselines.as_written(trace)
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
        began = time.process_time()
        for t_s, row in rows:
            if detector.armed_at_s is None and t_s >= trace.arm_s:
                detector.arm(trace.arm_s)
            detector.advance(t_s, row, weights())
        took = time.process_time() - began
        group = list(spent)[int(trace.every_s >= 1.0) + int(trace.every_s >= 3.0)]
        spent[group].append(took)
        count[group] += len(rows)
    lines = [
        f"read every {name}: {1e6 * sum(took) / max(1, count[name]):.1f} us a reading"
        for name, took in spent.items()
    ]
    looks = [
        each
        for trace in stream(jobs(HELD_OUT_SEED + 50_000, 1, 0))
        for each in reliability.looks_s(trace)
    ]
    whole = 1e6 * sum(map(sum, spent.values())) / sum(count.values())
    lines.append(f"all: {whole:.1f} us a reading")
    lines.append(f"the chance that is shown: {1e6 * float(np.mean(looks)):.0f} us a half minute")
    return "\n".join(lines)


def judge_forecasts(given: argparse.Namespace) -> None:
    """Judge forecasts of the release on batches of both generators."""
    head = weights().head
    if head is None:
        raise AssertionError("the weights in use have no head of the release forecast")
    singles = jobs(given.seed or HELD_OUT_SEED, max(1, given.seeds // len(JUDGED)), 0, JUDGED)
    others = second_generator.jobs(given.seeds, given.seed or second_generator.FIRST_SEED)
    for title, work, todo in (
        ("First generator", release_judgement.first_runs, singles),
        ("Second generator", release_judgement.second_runs, others),
    ):
        parts = evaluation.in_parallel(functools.partial(work, head=head), todo, given.workers)
        runs = [run for part in parts for run in part]
        say(f"{title}\n\n{release_judgement.summary(runs)}\n")
        say(f"{release_judgement.by_share(runs)}\n\n{release_judgement.by_kind(runs)}\n")


def store_decisions(given: argparse.Namespace) -> None:
    """Generate what the head of the forecast learns from."""
    release_training.store_decisions(given.batches, given.workers, given.records)


def train_head(given: argparse.Namespace) -> None:
    """Train the head of the forecast and write its file."""
    found = release_training.load_decisions(given.records)
    release_training.write_head(release_training.fit(found), given.to)


def refine(given: argparse.Namespace) -> None:
    """Go on training on the families, and write the weights."""
    variety.run(load_weights(given.start), given.records, given.to)


COMMANDS: dict[str, Callable[[argparse.Namespace], None]] = {
    "generate": lambda given: training.store_records(given.batches, given.workers, given.records),
    "train": lambda given: training.run(given.records, given.to),
    "variety-records": lambda given: variety.store_records(
        given.batches, given.workers, given.records
    ),
    "refine": refine,
    "evaluate": judge_detector,
    "second-generator": judge_second_generator,
    "conditions": judge_conditions,
    "confidence": judge_confidence,
    "chance": judge_shown,
    "disturbances": lambda given: say(disturbances.run(given.seeds)),
    "baselines": judge_baselines,
    "forecast-records": store_decisions,
    "forecast-train": train_head,
    "forecast": judge_forecasts,
    "cost": lambda _given: say(cost()),
    "apart": apart_judgement.judge,
}

NEEDS = {
    "generate": ("records",),
    "train": ("records", "to"),
    "variety-records": ("records",),
    "refine": ("start", "records", "to"),
    "forecast-records": ("records",),
    "forecast-train": ("records", "to"),
}
"""Files that a command cannot do without."""


if __name__ == "__main__":
    main()
