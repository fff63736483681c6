"""The table of what the detector must reach, filled from batches that nothing was trained on.

    python -m tests.research.stability apart --seeds 1200 --pairs 480 --workers 2

Each batch is run twice: without a pump input, and with one that tells the truth.  `--generator`
takes another generator, `--seed` other batches, `--through-station` the whole station beside.
"""

from __future__ import annotations

import argparse
import functools
import math
import sys
from collections.abc import Iterable
from dataclasses import dataclass

from daemon.mixing.stability.evidence import TOLERANCE
from tests.research.stability import evaluation
from tests.research.stability.batch_kinds import KINDS
from tests.research.stability.evaluation import Job
from tests.research.stability.outcomes import FAR_OFF, Outcome, outcome, station_outcome
from tests.research.stability.report import interval
from tests.research.stability.sources import SOURCES
from tests.research.stability.verdicts import tally

LOUD = ("noisy", "bubbling")
"""Kinds of which the first call is judged apart."""


@dataclass(frozen=True, slots=True)
class Runs:
    """One batch, run in several ways.

    Attributes:
        without: The detector without a pump input.
        with_pump: With one that tells the truth.
        station: The whole station; None when it was not run.
    """

    without: Outcome
    with_pump: Outcome
    station: Outcome | None


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table of what must be reached.

    Attributes:
        title: What is counted.
        text: What came.
        value: The same as a number.
        must: At most so much for batches of one fault, and of two; None where nothing is fixed.
        aim: Likewise.
    """

    title: str
    text: str
    value: float
    must: tuple[float, float] | None
    aim: tuple[float, float] | None

    def line(self, pairs: int) -> str:
        """Return the line for batches of one fault (0) or two (1)."""
        limits = " | ".join(
            "-" if each is None else f"{each[pairs]:g}" for each in (self.must, self.aim)
        )
        return f"| {self.title} | {self.text} | {limits} | {self._reached(pairs)} |"

    def _reached(self, pairs: int) -> str:
        if self.must is None or math.isnan(self.value):
            return ""
        if self.value > self.must[pairs]:
            return "NO"
        return "yes" if self.aim is None or self.value > self.aim[pairs] else "aim"


def run_some(todo: list[Job], generator: str, *, through_station: bool) -> list[Runs]:
    """Return what comes of some batches of a generator."""
    source = SOURCES[generator]
    found = []
    for job, trace in zip(todo, source.traces(todo), strict=True):
        origin = source.origin(job)
        whole = station_outcome(trace, origin) if through_station else None
        found.append(Runs(outcome(trace, origin), outcome(trace, origin, with_pump=True), whole))
    return found


def judge(given: argparse.Namespace) -> None:
    """Judge the detector on batches of a generator, and print the tables."""
    source = SOURCES[given.generator]
    first_seed = source.first_seed if given.seed is None else given.seed
    for pairs, (title, todo) in enumerate((
        ("One fault", source.singles(given.seeds, first_seed) if given.seeds else []),
        ("Two faults", source.pairs(given.pairs, first_seed) if given.pairs else []),
    )):  # fmt: skip
        work = functools.partial(
            run_some, generator=given.generator, through_station=given.through_station
        )
        runs = [each for some in evaluation.in_parallel(work, todo, given.workers) for each in some]
        if runs:
            sys.stdout.write(
                f"## {title}, generator {given.generator}, seeds from {todo[0][1]}\n\n"
            )
            sys.stdout.write(report(runs, pairs) + "\n\n")
            sys.stdout.flush()


def report(runs: list[Runs], pairs: int) -> str:
    """Return all tables and lists of batches of one fault (0) or two (1)."""
    without = [each.without for each in runs]
    parts = [
        must_reach(runs, pairs),
        by_part(runs),
        "With a pump input that tells the truth\n\n" + beside_pump(runs),
        origins(without),
    ]
    station = [each.station for each in runs if each.station is not None]
    if station:
        parts.append("Through the whole station\n\n" + by_origin({"all": station}))
    parts += [
        "Never called, steady for 90 min: " + _list(each for each in without if each.never_free),
        "The same, though an interlock blocked now and then: "
        + _list(each for each in without if each.never_steady and not each.never_free),
        "Called wrongly: " + _list(each for each in without if each.verdict.false),
    ]
    return "\n\n".join(part for part in parts if part)


def must_reach(runs: list[Runs], pairs: int) -> str:
    """Return the table of what must be reached, for one fault (0) or two (1)."""
    rows = _rows([each.without for each in runs])
    standing = sum(each.with_pump.while_standing for each in runs)
    worse = [kind for kind, some in _kinds(runs).items() if _wrong_with(some) > _wrong(some)]
    known = tally([each.with_pump.verdict for each in runs])
    rows += [
        Row("kinds with more wrong calls with a pump input than without",
            ", ".join(worse) or "none", len(worse), (0, 0), None),
        Row("calls while the pump stands, with a pump input",
            str(standing), standing, (0, 0), None),
        Row("median with a pump input, min", _minutes(known.median_min), known.median_min,
            None, (12, 12)),
    ]  # fmt: skip
    lines = ["| | came | must | aim | reached |", "|---|---|---|---|---|"]
    return "\n".join(lines + [row.line(pairs) for row in rows])


def _rows(found: list[Outcome]) -> list[Row]:
    """Return the rows that need no pump input."""
    due = [each for each in found if each.verdict.missed is not None]
    all_of = tally([each.verdict for each in found])
    stood = sum(each.wrong_standing > 0 for each in found)
    near = sum(each.verdict.false and max(each.off) <= TOLERANCE for each in found)
    rows = [
        _shares("wrong calls, %", [each.verdict.false for each in found], (1.5, 2.5), (0.5, 0.8)),
        Row("of these while the pump stood", str(stood), stood, None, None),
        Row(f"of these a salinity stated within {TOLERANCE:g} of the final one",
            str(near), near, None, None),
        _shares(f"wrong by more than {FAR_OFF:g}, %", [each.far for each in found],
                (0.7, 1.5), (0.2, 0.5)),
        _shares("missed, 30 min to see it, %", [bool(each.verdict.missed) for each in due],
                (6, 10), (5, 8)),
        Row("median, min", _minutes(all_of.median_min), all_of.median_min, (18, 20), (16, 16)),
        Row("90 %, min", _minutes(all_of.late_min), all_of.late_min, (34, 38), (33, 33)),
    ]  # fmt: skip
    never = sum(each.never_free for each in found)
    rows.append(
        Row("never called, 90 min steady, nothing forbids it", str(never), never, (0, 0), None)
    )
    worst = max(
        ((_per_100_h(some), kind) for kind, some in _parts(found).items()), default=(0.0, "")
    )
    rows.append(Row("disturbances that were none, per 100 h, worst kind",
                    f"{worst[0]:.1f} ({worst[1]})", worst[0], (3, 3), (1, 1)))  # fmt: skip
    first = [
        each.first_wrong
        for each in found
        if each.first_wrong is not None and set(LOUD) & set(each.verdict.kind.split(" + "))
    ]
    rows.append(_shares("first call wrong, noisy or bubbling, %", first, (2, 2), (1, 1)))
    amiss = [bool(max(each.misstated, default=0.0) > FAR_OFF) for each in found]
    title = f"called at the right time, a salinity stated wrong by more than {FAR_OFF:g}, %"
    return [*rows, _shares(title, amiss, None, None)]


def _shares(
    title: str,
    hits: list[bool],
    must: tuple[float, float] | None,
    aim: tuple[float, float] | None,
) -> Row:
    share = 100.0 * sum(hits) / len(hits) if hits else float("nan")
    return Row(title, _share(sum(hits), len(hits)), share, must, aim)


def _share(hits: int, of: int) -> str:
    if of == 0:
        return "-"
    low, high = interval(hits, of)
    return f"{100 * hits / of:.1f} ({low:.1f} to {high:.1f}), {hits} of {of}"


def _minutes(value: float) -> str:
    if math.isnan(value):
        return "-"
    return "never" if math.isinf(value) else f"{value:.1f}"


def _per_100_h(found: list[Outcome]) -> float:
    hours = sum(each.stable_h for each in found)
    return 100.0 * sum(each.disturbed for each in found) / hours if hours else 0.0


def _parts(found: list[Outcome]) -> dict[str, list[Outcome]]:
    """Return batches by the faults that have a part in them."""
    parts = {kind: [e for e in found if kind in e.verdict.kind.split(" + ")] for kind in KINDS}
    return {kind: some for kind, some in parts.items() if some}


def _kinds(runs: list[Runs]) -> dict[str, list[Runs]]:
    """Return runs by the faults that have a part in them."""
    parts = {
        kind: [each for each in runs if kind in each.without.verdict.kind.split(" + ")]
        for kind in KINDS
    }
    return {kind: some for kind, some in parts.items() if some}


def _wrong(runs: list[Runs]) -> int:
    return sum(each.without.verdict.false for each in runs)


def _wrong_with(runs: list[Runs]) -> int:
    return sum(each.with_pump.verdict.false for each in runs)


def _head(*titles: str) -> str:
    return f"| {' | '.join(titles)} |\n{'|---' * len(titles)}|"


def by_part(runs: list[Runs]) -> str:
    """Return the counts overall and for each fault, without a pump input."""
    lines = [
        _head(
            "without a pump input", "wrong, %", "wrong by more than 0.15", "missed, %",
            "median, 90 %, min", "never called", "first call wrong",
            "disturbances that were none (taken back), in h, per 100 h",
        ),
    ]  # fmt: skip
    for title, some in {"all": runs, **_kinds(runs)}.items():
        found = [each.without for each in some]
        due = [each.verdict.missed for each in found if each.verdict.missed is not None]
        first = [each.first_wrong for each in found if each.first_wrong is not None]
        hours = sum(each.stable_h for each in found)
        lines.append(
            f"| {title} | {_share(sum(e.verdict.false for e in found), len(found))} | "
            f"{sum(e.far for e in found)} | {_share(sum(due), len(due))} | {_times(found)} | "
            f"{sum(e.never_free for e in found)} | {sum(first)} of {len(first)} | "
            f"{sum(e.disturbed for e in found)} ({sum(e.taken_back for e in found)}), "
            f"{hours:.0f}, {_per_100_h(found):.1f} |"
        )
    return "\n".join(lines)


def _times(found: list[Outcome]) -> str:
    all_of = tally([each.verdict for each in found])
    return f"{_minutes(all_of.median_min)}, {_minutes(all_of.late_min)}"


def beside_pump(runs: list[Runs]) -> str:
    """Return the counts of each fault without a pump input and with one."""
    lines = [
        _head(
            "", "wrong without", "wrong with", "missed without", "missed with",
            "median, 90 % without", "with", "while the pump stands: calls without, with",
        ),
    ]  # fmt: skip
    for title, some in {"all": runs, **_kinds(runs)}.items():
        without, known = [each.without for each in some], [each.with_pump for each in some]
        lines.append(
            f"| {title} | {_wrong(some)} of {len(some)} | {_wrong_with(some)} | "
            f"{sum(bool(e.verdict.missed) for e in without)} | "
            f"{sum(bool(e.verdict.missed) for e in known)} | {_times(without)} | {_times(known)} | "
            f"{sum(e.while_standing for e in without)}, {sum(e.while_standing for e in known)} |"
        )
    return "\n".join(lines)


def origins(found: list[Outcome]) -> str:
    """Return the counts by water and by instrument; empty where there is one alone."""
    names = sorted({(side, each.origin[side]) for each in found for side in (0, 1)})
    if names == [(0, ""), (1, "")]:
        return ""
    return by_origin(
        {name: [each for each in found if each.origin[side] == name] for side, name in names}
    )


def by_origin(rows: dict[str, list[Outcome]]) -> str:
    """Return wrong, missed and late of some sets of batches."""
    lines = ["| | wrong, % | missed, % | median, 90 %, min |", "|---|---|---|---|"]
    for title, found in rows.items():
        due = [each.verdict.missed for each in found if each.verdict.missed is not None]
        lines.append(
            f"| {title} | {_share(sum(e.verdict.false for e in found), len(found))} | "
            f"{_share(sum(due), len(due))} | {_times(found)} |"
        )
    return "\n".join(lines)


def _list(found: Iterable[Outcome]) -> str:
    """Return kind, seed and, of wrong calls, how far off and whether the pump stood."""
    each_of = [
        f"{each.verdict.kind} {each.seed}"
        + (
            f" (off {max(each.off):.2f}{', pump off' * (each.wrong_standing > 0)})"
            if each.off
            else ""
        )
        for each in found
    ]
    return "; ".join(each_of) or "none"
