"""Whether the chance that is shown is what comes: its reliability, live and after interlocks.

Unlike `stated_confidence`, which takes the log odds at every moment that counts, this runs the
detector reading by reading and takes what a keeper sees each half minute: nothing before salt,
under an interlock or after a call.  Half minutes of one batch go together, so that no interval
is given.
"""

from __future__ import annotations

import itertools
import re
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.chance import AblationMemory, chance_now
from daemon.mixing.stability.detector import Stability
from tests.parts.weights import weights
from tests.research.stability import second_generator
from tests.research.stability.detector_run import detector_times_s, readings
from tests.research.stability.evaluation import Job, stream
from tests.research.stability.probe_model import Trace
from tests.research.stability.stated_confidence import BANDS

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

NEAR = 0.02
"""Salinity that is nearer to its final value may wander there either way."""


@dataclass(slots=True)
class Shown:
    """What was shown in the half minutes of some batches, and what was so.

    Attributes:
        chance: Shown, a half minute.
        over: Whether mixing was over for the probe.
        unknown: Half minutes of a decision in which an interlock left no chance.
        phrases: How often each was said, its numbers left out.
        moving: How often salinity was said to rise or to fall.
        contrary: How often it lay beyond its final value then, by more than `NEAR`.
    """

    chance: list[float] = field(default_factory=list)
    over: list[bool] = field(default_factory=list)
    unknown: int = 0
    phrases: Counter[str] = field(default_factory=Counter)
    moving: int = 0
    contrary: int = 0

    def add(self, other: Shown) -> None:
        """Take what was shown of other batches, too."""
        self.chance += other.chance
        self.over += other.over
        self.unknown += other.unknown
        self.phrases += other.phrases
        self.moving += other.moving
        self.contrary += other.contrary


def shown_along(trace: Trace, *, with_pump: bool = False) -> Shown:
    """Return what was shown of one batch, once each half minute."""
    detector, memory, shown = Stability(), AblationMemory(), Shown()
    rows = zip(
        detector_times_s(trace), readings(trace, with_pump=with_pump), trace.t_s.tolist(),
        trace.over.tolist(), trace.final.tolist(), strict=True,
    )  # fmt: skip
    armed, newest = False, -1
    for own_s, reading, t_s, over, final in rows:
        if not armed and t_s >= trace.arm_s:
            detector.arm(own_s, "salt")
            armed = True
        detector.advance(own_s, reading, weights())
        if not detector.cells.index or detector.cells.index[-1] == newest:
            continue
        newest = detector.cells.index[-1]
        chance = chance_now(detector, own_s, weights(), memory)
        if chance is None:
            continue
        if chance.over is None:
            shown.unknown += 1
        else:
            shown.chance.append(chance.over)
            shown.over.append(over)
        _count(shown, chance.held_back_by, final - detector.cells.salinity[-1])
    return shown


def looks_s(trace: Trace) -> list[float]:
    """Return the CPU time of each look at the chance of one batch, s, one each half minute."""
    detector, memory, newest, took = Stability(), AblationMemory(), -1, []
    rows = zip(trace.t_s.tolist(), detector_times_s(trace), readings(trace), strict=True)
    for t_s, own_s, reading in rows:
        if detector.armed_at_s is None and t_s >= trace.arm_s:
            detector.arm(own_s, "salt")
        detector.advance(own_s, reading, weights())
        if detector.cells.index and detector.cells.index[-1] != newest:
            newest, began = detector.cells.index[-1], time.process_time()
            if chance_now(detector, own_s, weights(), memory) is not None:
                took.append(time.process_time() - began)
    return took


def _count(shown: Shown, phrases: Iterable[str], left: float) -> None:
    for each in phrases:
        shown.phrases[re.sub(r"\d+(\.\d+)?", "N", each)] += 1
        if each.startswith(("still rising", "still falling")):
            ahead = left if "rising" in each else -left
            shown.moving += 1
            shown.contrary += ahead < -NEAR


def first_shown(todo: list[Job]) -> Shown:
    """Return what was shown of batches of the first generator."""
    return together(shown_along(trace) for trace in stream(todo))


def second_shown(todo: list[Job]) -> Shown:
    """Return what was shown of batches of the second generator."""
    return together(shown_along(second_generator.trace(kind, seed)) for kind, seed in todo)


def together(parts: Iterable[Shown]) -> Shown:
    """Return what was shown of all batches."""
    whole = Shown()
    for each in parts:
        whole.add(each)
    return whole


def bands(shown: Shown) -> Iterator[tuple[float, float, int, float, float]]:
    """Yield the edges of each band of chance, how many lie there, their mean and what was so."""
    chance, over = np.array(shown.chance), np.array(shown.over, bool)
    for low, high in itertools.pairwise(BANDS):
        within = (chance >= low) & (chance < high)
        if within.any():
            count = int(np.count_nonzero(within))
            yield low, high, count, float(chance[within].mean()), float(over[within].mean())


def brier(chance: Floats, over: Flags) -> float:
    """Return the mean squared difference between what was shown and what was so.

    Source: Brier (1950), from memory.
    """
    return float(np.mean((chance - over) ** 2))


def calibration_error(shown: Shown) -> float:
    """Return the expected calibration error: how far each band is off, weighed by its count."""
    parts = [(count, abs(mean - so)) for _, _, count, mean, so in bands(shown)]
    return sum(count * off for count, off in parts) / max(1, sum(count for count, _ in parts))


def table(shown: Shown) -> str:
    """Return a Markdown table, a row a band, and the scores in sentences."""
    chance, over = np.array(shown.chance), np.array(shown.over, bool)
    if not len(chance):
        return "nothing was shown"
    lines = ["| chance shown | half minutes | in the mean | over |", "|---|---|---|---|"]
    lines += [
        f"| {100 * low:g} to {100 * high:g} % | {count} | {100 * mean:.1f} % | {100 * so:.1f} % |"
        for low, high, count, mean, so in bands(shown)
    ]
    usual, said = np.full(len(over), over.mean()), sum(shown.phrases.values())
    scores = (
        f"{len(chance)} half minutes, and {shown.unknown} in which an interlock left no chance;"
        f" Brier score {brier(chance, over):.4f} ({brier(usual, over):.4f} of the mean alone),"
        f" expected calibration error {100 * calibration_error(shown):.1f} %"
    )
    moving = (
        f"rising or falling was said {shown.moving} times, {shown.contrary} of them away from"
        f" the final value by more than {NEAR:g}"
    )
    lines += ["", scores, "", moving, "", "| what held it back | of all phrases |", "|---|---|"]
    lines += [
        f"| {each} | {100 * count / said:.1f} % |" for each, count in shown.phrases.most_common()
    ]
    return "\n".join(lines)
