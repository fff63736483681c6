"""Is water ever released that is outside because mixing was called over too soon?

    python -m tests.campaigns.wrong_release --batches 2000 --seed 1 --workers 2

Batches of the generators that nothing is trained on, of one fault and of two, go through the whole
station, readings alone, as the service is configured: a target and a tolerance, drawn about the
truth so that many batches end near a limit, and a probe that is off by as much as the station
knows of it.  A release counts as wrong if the water is truly outside the tolerance then, and the
salinity called or released is further than 0.1 from what the same probe reads in the same water
once it is mixed.  There must be none.  Water that is released outside because the probe is off
within its uncertainty is counted beside, and belongs to `tests.campaigns.releases`.

Exit 0, or 1 where there was a wrong release, or none at all to judge.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import gsw
import numpy as np

from daemon.entries import Event, Instant, Phase, Sample
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.events import PhaseChanged, SalinityStabilised
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.weights import weights
from tests.research.stability.evaluation import Job, in_parallel
from tests.research.stability.probe_model import Trace
from tests.research.stability.sources import SOURCES

GENERATORS = ("apart", "second")
RESERVOIR, PROBE = "mix-1", "ct-1"
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)

WRONG_CALL = 0.1
"""What a call may be off by, practical salinity; so is it promised."""

NEAR_LIMIT = 0.7
"""Share of batches whose water ends near a limit of the tolerance."""


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn of one batch beside its water.

    Attributes:
        settings: What the batch has to be.
        worth: Uncertainty of the probe, as the station has it.
        gain: Factor by which its conductivity is off.
        offset_C: By how much its temperature is off.
    """

    settings: BatchSettings
    worth: ProbeUncertainty
    gain: float
    offset_C: float


@dataclass(frozen=True, slots=True)
class Release:
    """One release and what was true of the water then.

    Attributes:
        name: Generator, kind and seed of the batch.
        t_s: When.
        target: Practical salinity wanted.
        tolerance: Allowed to either side.
        true: True salinity of the water once it is mixed.
        called: Salinity at the last call.
        released: Salinity that was judged.
        reads: What this probe reads in that water once it is mixed.
    """

    name: str
    t_s: float
    target: float
    tolerance: float
    true: float
    called: float
    released: float
    reads: float

    @property
    def outside(self) -> bool:
        """Whether the water was truly outside."""
        return abs(self.true - self.target) > self.tolerance

    @property
    def wrong(self) -> bool:
        """Whether it was so because of a wrong call."""
        off = max(abs(self.called - self.reads), abs(self.released - self.reads))
        return self.outside and off > WRONG_CALL


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of one batch.

    Attributes:
        calls: How often mixing was called over.
        wrong_calls: How often it was not, and the salinity called was off.
        releases: In their order.
    """

    calls: int
    wrong_calls: int
    releases: list[Release]


def jobs(count: int, seed: int) -> list[Job]:
    """Return batches by name and seed: the generators in turn, every third of two faults."""
    pairs = count // 3
    found = []
    for number, name in enumerate(GENERATORS):
        source = SOURCES[name]
        singles_of, pairs_of = (
            len(range(number, part, len(GENERATORS))) for part in (count - pairs, pairs)
        )
        todo = source.singles(singles_of, seed) + source.pairs(pairs_of, seed)
        found += [(f"{name}: {kind}", own) for kind, own in todo]
    return found


def draw(final: float, dice: random.Random) -> Draw:
    """Draw target, tolerance and probe for water that ends at a salinity."""
    worth = ProbeUncertainty(dice.choice((0.2, 0.35, 0.5)), dice.choice((0.05, 0.1)), 0.01)
    tolerance = dice.choice((1.0, 1.0, 1.0, 0.5))
    near = dice.random() < NEAR_LIMIT
    away = tolerance * (dice.uniform(0.7, 1.3) if near else dice.uniform(0.0, 0.7))
    return Draw(
        BatchSettings(
            target_ppt=round(final + dice.choice((-1.0, 1.0)) * away, 2), tolerance_ppt=tolerance
        ),
        worth,
        1.0 + dice.gauss(0.0, worth.conductivity_percent / 100.0),
        dice.gauss(0.0, worth.temperature_C),
    )


def run_some(todo: list[Job]) -> list[Batch]:
    """Run some batches through the station."""
    found = []
    for name, seed in todo:
        generator, kind = name.split(": ")
        (trace,) = SOURCES[generator].traces([(kind, seed)])
        drawn = draw(float(trace.final[-1]), random.Random(f"wrong release/{name}/{seed}"))
        found.append(run(f"{name} {seed}", trace, drawn))
    return found


def run(name: str, trace: Trace, drawn: Draw) -> Batch:
    """Run one batch through the station and judge its calls and releases."""
    settings = ReservoirSettings(RESERVOIR, batch=drawn.settings, probes={PROBE: drawn.worth})
    station = Station({RESERVOIR: settings}, weights())
    called, calls, wrong, releases = math.nan, 0, 0, list[Release]()
    for at, sample in enumerate(samples(trace, drawn)):
        for entry in station.advance(sample):
            if not isinstance(entry, Event):
                continue
            match entry.body:
                case SalinityStabilised(salinity=salinity):
                    called, calls = salinity, calls + 1
                    off = abs(salinity - reads(trace, drawn, at))
                    wrong += not trace.over[at] and off > WRONG_CALL
                case PhaseChanged(to=Phase.READY, salinity=released):
                    releases.append(
                        Release(
                            name, float(trace.t_s[at]), drawn.settings.target_ppt,
                            drawn.settings.tolerance_ppt, float(trace.final[at]), called,
                            called if released is None else released, reads(trace, drawn, at),
                        )
                    )  # fmt: skip
    return Batch(calls, wrong, releases)


def reads(trace: Trace, drawn: Draw, at: int) -> float:
    """Return what the probe would read at a reading, were the water mixed."""
    known = trace.temperature[: at + 1]
    warm = float(known[np.isfinite(known)][-1])
    c = float(gsw.C_from_SP(trace.final[at], warm, 0.0))
    return float(gsw.SP_from_C(drawn.gain * c, warm + drawn.offset_C, 0.0))


def samples(trace: Trace, drawn: Draw) -> Iterable[Sample]:
    """Yield what the driver makes of the readings of a probe that is off."""
    rows = zip(
        trace.t_s.tolist(),
        (drawn.gain * trace.conductivity).tolist(),
        (trace.temperature + drawn.offset_C).tolist(),
        strict=True,
    )
    for t_s, c, t in rows:
        there = math.isfinite(c) and math.isfinite(t)
        at = Instant(START + timedelta(seconds=t_s), t_s, "boot-1")
        yield Sample(
            RESERVOIR, PROBE, at, c if there else None, t if there else None,
            fault="" if there else "no value recorded",
        )  # fmt: skip


def table(batches: Sequence[Batch]) -> str:
    """Return what was counted, and each wrong release."""
    releases = [release for batch in batches for release in batch.releases]
    outside = [each for each in releases if each.outside]
    wrong = [each for each in releases if each.wrong]
    counted = {
        "batches": len(batches),
        "called over": sum(each.calls > 0 for each in batches),
        f"called over too soon, by more than {WRONG_CALL:g}": sum(
            each.wrong_calls > 0 for each in batches
        ),
        "released": sum(bool(each.releases) for each in batches),
        "releases": len(releases),
        "truly outside then, the probe being off": len(outside) - len(wrong),
        "truly outside because of a wrong call (must be 0)": len(wrong),
    }
    lines = [f"{what:<52}{number:>6}" for what, number in counted.items()]
    lines += [
        f"  {each.name} at {each.t_s:.0f} s: wanted {each.target:g} ± {each.tolerance:g}, called "
        f"{each.called:.2f}, released as {each.released:.2f}, truly {each.true:.2f}, which this "
        f"probe reads as {each.reads:.2f}"
        for each in wrong
    ]
    return "\n".join(lines)


def kept(batches: Sequence[Batch]) -> bool:
    """Say whether there were releases, and none was wrong."""
    releases = [release for batch in batches for release in batch.releases]
    return bool(releases) and not any(each.wrong for each in releases)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaigns.wrong_release",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--batches", type=int, default=2000, metavar="N", help="[2000]")
    parser.add_argument("--seed", type=int, default=SOURCES["apart"].first_seed, metavar="S",
                        help="of the first batch")  # fmt: skip
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="processes [1]")
    given = parser.parse_args(arguments)
    todo = jobs(given.batches, given.seed)
    batches = [each for some in in_parallel(run_some, todo, given.workers) for each in some]
    sys.stdout.write(table(batches) + "\n")
    return int(not kept(batches))


if __name__ == "__main__":
    sys.exit(main())
