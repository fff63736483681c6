"""After the call: are additions noticed in time, and is silence kept otherwise?

Counted by kind, on the first and the second generator, and with bubbles that cling to the probe
for up to an hour: disturbances that were none, per 100 h of rightly stable time; falls of which
nobody knew why; calls that were reinstated; and how long real additions took to be noticed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.mixing.stability.detector import Disturbed, Recovered, Stabilised, Stability
from tests.parts.weights import weights
from tests.research.stability import second_generator
from tests.research.stability.batch_kinds import NEVER, draw, rows
from tests.research.stability.detector_run import readings
from tests.research.stability.families.bubbles import Bubbles, clinging
from tests.research.stability.probe_model import Trace, observed
from tests.research.stability.tank_model import STEP_S, integrate

QUIET_KINDS = ("clean", "noisy", "bubbling", "temperature", "dropouts")
CLINGING = "clinging"
CLINGING_PER_H = (0.2, 2.0)
"""Fewest and most bubbles that cling, 1/h."""
BUBBLE_MOVES_MS_CM = 0.14
"""What moves salinity by 0.1, mS/cm."""
NOTICE_S = {"salt": 300.0, "water": 1200.0}
"""How soon after it shows an addition has to be noticed, s."""
SHOWS = 0.15
"""An addition shows at the probe once the water there has moved by this much."""

LEAST_READ = 0.5
"""Share of readings that must come while an addition is to be noticed; a gap shows nothing."""

_QUIET_S = 3.0 * 3600.0
_FIRST_SEED = 7_000_000
_CLINGS_LATER = 400_000_000


@dataclass(slots=True)
class Quiet:
    """What was said of water that nothing came to.

    Attributes:
        stable_h: How long it was rightly called stable, h.
        false: Disturbances that were none.
        reinstated: How many of them were taken back.
        suspect: Falls of which nobody knew why.
        suspect_h: How long that was, h.
    """

    stable_h: float = 0.0
    false: int = 0
    reinstated: int = 0
    suspect: int = 0
    suspect_h: float = 0.0


@dataclass(slots=True)
class Course:
    """What the detector said of a record after its first call.

    Attributes:
        called_s: Time of that call; None for none.
        disturbed: Time of each disturbance.
        reinstated: Time at which a call was reinstated.
        settled: Spans in which a call held.
        suspect: Spans in which a fall was suspect.
    """

    called_s: float | None = None
    disturbed: list[float] = field(default_factory=list)
    reinstated: list[float] = field(default_factory=list)
    settled: list[tuple[float, float]] = field(default_factory=list)
    suspect: list[tuple[float, float]] = field(default_factory=list)


def run(count: int) -> str:
    """Return how many additions were noticed, and how often nothing was taken for one."""
    quiet: dict[str, Quiet] = {}
    delays: dict[str, list[float]] = {}
    for clings in (False, True):
        for trace, shows_s in _batches(count):
            seen = _clung(trace) if clings else trace
            course = _play(seen)
            if course.called_s is None or not _right(seen, course.called_s, shows_s):
                continue
            if clings and _bubble_at(trace, seen, course.called_s):
                continue
            name = f"{seen.kind} + {CLINGING}" if clings else seen.kind
            _count(quiet.setdefault(name, Quiet()), course, _until_s(seen))
            if shows_s is not None and _read_enough(seen, shows_s) and _holds(course, seen):
                what = f"{_what(seen)}{f' + {CLINGING}' if clings else ''}"
                delays.setdefault(what, []).append(_delay_s(course, seen, shows_s))
    return "\n".join([*_of_quiet(quiet), *_of_delays(delays)])


def _of_quiet(quiet: dict[str, Quiet]) -> Iterator[str]:
    yield (
        "kind                          stable h   false  per 100 h  reinstated  suspect"
        "  suspect % of time"
    )
    for name, each in sorted(quiet.items(), key=lambda item: (CLINGING in item[0], item[0])):
        rate = 100.0 * each.false / max(each.stable_h, 1e-9)
        share = 100.0 * each.suspect_h / max(each.stable_h, 1e-9)
        yield (
            f"{name:28} {each.stable_h:9.0f} {each.false:7} {rate:10.1f} {each.reinstated:11}"
            f" {each.suspect:8} {share:18.2f}"
        )


def _of_delays(delays: dict[str, list[float]]) -> Iterator[str]:
    yield "addition of 0.3 or more     count  median min  90 % min  noticed in time"
    for what, each in sorted(delays.items()):
        minutes, limit_s = np.array(each) / 60.0, NOTICE_S[what.split(" ")[0]]
        half, most = np.quantile(minutes, [0.5, 0.9], method="nearest")
        share = 100.0 * float((minutes <= limit_s / 60.0).mean())
        yield (
            f"{what:27} {len(each):5} {half:11.1f} {most:9.1f}"
            f"  {share:.1f} % within {limit_s / 60.0:.0f} min"
        )


def _batches(count: int) -> Iterator[tuple[Trace, float | None]]:
    """Yield long traces, of which those of the first generator get an addition late."""
    for low in range(0, count, 60):
        yield from _first(range(low, min(count, low + 60)))
    for k in range(count):
        kind = QUIET_KINDS[k % len(QUIET_KINDS)]
        trace = second_generator.trace(kind, second_generator.FIRST_SEED + 7_000 + k, _QUIET_S)
        yield trace, None


def _first(numbers: range) -> list[tuple[Trace, float | None]]:
    """Return long traces with an addition late in each, and when it shows at the probe."""
    rngs = [np.random.default_rng(_FIRST_SEED + k) for k in numbers]
    batches = []
    for k, rng in zip(numbers, rngs, strict=True):
        batch = draw(QUIET_KINDS[k % len(QUIET_KINDS)], rng)
        batch["second_s"] = batch["blank_s"] + 2400.0 + _QUIET_S
        batch["second_salinity"] = batch["second_water"] = 0.0
        size = float(np.exp(rng.uniform(np.log(0.31), np.log(6.0))))
        if rng.random() < 0.6:
            batch["second_salinity"] = size
        else:
            batch["second_water"] = size / (batch["target"] - size)
        batch |= {"tail_s": 4800.0, "grain_tau_s": min(batch["grain_tau_s"], 240.0),
                  "stuck_s": NEVER}  # fmt: skip
        batches.append(batch)
    truth = integrate(rows(batches))
    out = []
    for i, (k, batch, rng) in enumerate(zip(numbers, batches, rngs, strict=True)):
        kind = QUIET_KINDS[k % len(QUIET_KINDS)]
        trace = observed(kind, _FIRST_SEED + k, batch, rng, truth, i)
        at = int(batch["second_s"] / STEP_S)
        moved = np.abs(truth.nook[i][at:] - truth.nook[i][at - 1]) > SHOWS
        shows = float((at + int(np.argmax(moved))) * STEP_S) if moved.any() else None
        out.append((trace, shows if shows is not None and shows < trace.t_s[-1] - 600.0 else None))
    return out


def _until_s(trace: Trace) -> float:
    """Return until when nothing came, s."""
    return float(trace.t_s[-1]) if np.isnan(trace.added_s) else trace.added_s


def _clung(trace: Trace) -> Trace:
    """Return the trace with bubbles that cling to its probe until something is added."""
    rng = np.random.default_rng(_CLINGS_LATER + trace.seed)
    bubbles = Bubbles(clinging_per_h=float(np.exp(rng.uniform(*np.log(CLINGING_PER_H)))))
    taken = np.where(trace.t_s < _until_s(trace), clinging(bubbles, trace.t_s, rng), 0.0)
    values = np.unique(trace.conductivity[np.isfinite(trace.conductivity)])
    step = float(np.diff(values).min()) if len(values) > 1 else 0.001
    conductivity = np.round(trace.conductivity * (1.0 - taken) / step) * step
    return replace(trace, conductivity=np.round(conductivity, 6))


def _bubble_at(trace: Trace, seen: Trace, called_s: float) -> bool:
    """Return whether a bubble took more than a call may be wrong by, so that it was not right."""
    at = slice(*np.searchsorted(trace.t_s, [called_s - 120.0, called_s]))
    taken = trace.conductivity[at] - seen.conductivity[at]
    return bool(np.nanmedian(np.append(taken, 0.0)) > BUBBLE_MOVES_MS_CM)


def _what(trace: Trace) -> str:
    """Return what was added late."""
    final = trace.final[np.searchsorted(trace.t_s, trace.added_s) - 1]
    return "salt" if trace.final[-1] > final else "water"


def _play(trace: Trace) -> Course:
    """Return what the detector says of a trace, whose offers to reinstate are taken."""
    detector, armed, course = Stability(), False, Course()
    settled_s: float | None = None
    suspect_s: float | None = None
    for t_s, reading in zip(trace.t_s.tolist(), readings(trace), strict=True):
        if not armed and t_s >= trace.arm_s:
            detector.arm(t_s)
            armed = True
        for found in detector.advance(t_s, reading, weights()):
            if isinstance(found, Stabilised) and course.called_s is None:
                course.called_s = t_s
            elif isinstance(found, Disturbed):
                course.disturbed.append(t_s)
            elif isinstance(found, Recovered):
                detector.reinstate()
                course.reinstated.append(t_s)
        settled_s = _span(course.settled, settled_s, t_s, now=detector.settled)
        suspects = detector.settled and detector.drift_watch.fall is not None
        suspect_s = _span(course.suspect, suspect_s, t_s, now=suspects)
    end_s = float(trace.t_s[-1])
    _span(course.settled, settled_s, end_s, now=False)
    _span(course.suspect, suspect_s, end_s, now=False)
    return course


def _span(
    spans: list[tuple[float, float]], since_s: float | None, t_s: float, *, now: bool
) -> float | None:
    """Return since when something holds; one that has ended is added to the spans."""
    if now:
        return t_s if since_s is None else since_s
    if since_s is not None:
        spans.append((since_s, t_s))
    return None


def _count(quiet: Quiet, course: Course, until_s: float) -> None:
    """Add what was said before anything came."""
    quiet.false += sum(t_s < until_s for t_s in course.disturbed)
    quiet.reinstated += sum(t_s < until_s for t_s in course.reinstated)
    quiet.stable_h += _hours(course.settled, until_s)
    quiet.suspect_h += _hours(course.suspect, until_s)
    quiet.suspect += sum(since_s < until_s for since_s, _ in course.suspect)


def _hours(spans: list[tuple[float, float]], until_s: float) -> float:
    return sum(max(0.0, min(end_s, until_s) - since_s) for since_s, end_s in spans) / 3600.0


def _holds(course: Course, trace: Trace) -> bool:
    """Return whether a call held when something was added, and no fall was suspect."""
    suspect = any(since_s <= trace.added_s < end_s for since_s, end_s in course.suspect)
    return not suspect and any(
        since_s <= trace.added_s < end_s for since_s, end_s in course.settled
    )


def _delay_s(course: Course, trace: Trace, shows_s: float) -> float:
    """Return how long after it showed an addition was noticed, s; endless where it never was."""
    after = [t_s for t_s in course.disturbed if t_s >= trace.added_s]
    return min(after) - shows_s if after else float("inf")


def _read_enough(trace: Trace, shows_s: float) -> bool:
    """Return whether most readings came in the time allowed for noticing."""
    low, high = np.searchsorted(trace.t_s, [shows_s, shows_s + 600.0])
    return bool(np.isfinite(trace.conductivity[low:high]).mean() > LEAST_READ)


def _right(trace: Trace, called_s: float, shows_s: float | None) -> bool:
    """Return whether the call was right, and before the addition."""
    at = int(np.searchsorted(trace.t_s, called_s))
    return bool(trace.over[min(at, len(trace.over) - 1)]) and called_s < (
        _until_s(trace) if shows_s is None else min(_until_s(trace), shows_s)
    )
