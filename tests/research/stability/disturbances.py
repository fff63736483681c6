"""After the call: are additions noticed in time, and is silence kept otherwise?"""

from __future__ import annotations

import numpy as np

from daemon.mixing.stability.detector import Disturbed, Stabilised, Stability
from tests.parts.weights import weights
from tests.research.stability.batch_kinds import NEVER, draw, rows
from tests.research.stability.detector_run import readings
from tests.research.stability.probe_model import Trace, observed
from tests.research.stability.tank_model import STEP_S, integrate

QUIET_KINDS = ("clean", "noisy", "bubbling", "temperature", "dropouts")
NOTICE_S = 600.0
SHOWS = 0.15
"""An addition shows at the probe once the water there has moved by this much."""

LEAST_READ = 0.5
"""Share of readings that must come while an addition is to be noticed; a gap shows nothing."""

_QUIET_S = 3.0 * 3600.0


def run(count: int) -> str:
    """Return how many additions were noticed, and how often nothing was taken for one."""
    due = noticed = wrong = 0
    quiet_h = 0.0
    for low in range(0, count, 60):
        for trace, shows_s in _batches(range(low, min(count, low + 60))):
            called_s, disturbed = _play(trace)
            if called_s is None or not _right(trace, called_s, shows_s):
                continue
            early = [t for t in disturbed if t < trace.added_s]
            wrong += len(early)
            quiet_h += (min(early, default=trace.added_s) - called_s) / 3600.0
            if early or shows_s is None or not _read_enough(trace, shows_s):
                continue
            due += 1
            noticed += any(trace.added_s <= t <= shows_s + NOTICE_S for t in disturbed)
    rate = 100.0 * wrong / max(quiet_h, 1e-9)
    return (
        f"additions of 0.3 or more: {noticed} of {due} noticed within 10 min of showing "
        f"({100.0 * noticed / max(1, due):.2f} %); false: {wrong} in {quiet_h:.0f} h "
        f"({rate:.1f} per 100 h)"
    )


def _batches(numbers: range) -> list[tuple[Trace, float | None]]:
    """Return long traces with an addition late in each, and when it shows at the probe."""
    rngs = [np.random.default_rng(7_000_000 + k) for k in numbers]
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
        trace = observed(kind, 7_000_000 + k, batch, rng, truth, i)
        at = int(batch["second_s"] / STEP_S)
        moved = np.abs(truth.nook[i][at:] - truth.nook[i][at - 1]) > SHOWS
        shows = float((at + int(np.argmax(moved))) * STEP_S) if moved.any() else None
        out.append((trace, shows if shows is not None and shows < trace.t_s[-1] - 600.0 else None))
    return out


def _play(trace: Trace) -> tuple[float | None, list[float]]:
    """Return the first call and all disturbances after it."""
    detector, armed = Stability(), False
    called: float | None = None
    disturbed: list[float] = []
    for t_s, reading in zip(trace.t_s.tolist(), readings(trace), strict=True):
        if not armed and t_s >= trace.arm_s:
            detector.arm(t_s)
            armed = True
        for found in detector.advance(t_s, reading, weights()):
            if isinstance(found, Stabilised) and called is None:
                called = t_s
            elif isinstance(found, Disturbed):
                disturbed.append(t_s)
    return called, disturbed


def _read_enough(trace: Trace, shows_s: float) -> bool:
    """Return whether most readings came in the time allowed for noticing."""
    low, high = np.searchsorted(trace.t_s, [shows_s, shows_s + NOTICE_S])
    return bool(np.isfinite(trace.conductivity[low:high]).mean() > LEAST_READ)


def _right(trace: Trace, called_s: float, shows_s: float | None) -> bool:
    """Return whether the call was right, and before the addition."""
    at = int(np.searchsorted(trace.t_s, called_s))
    return bool(trace.over[min(at, len(trace.over) - 1)]) and called_s < (
        trace.added_s if shows_s is None else min(trace.added_s, shows_s)
    )
