"""Many simulated batches with random settings, each judged against the truth.

    python -m tests.campaigns.batches --count 200 --seed 1

Each run draws a story, a probe with an error of its own (as large as its stated uncertainty
says), a period, a temperature and limits, records it with the simulators and replays the recording
through the station.  Exit 0, or 1 when anything was raised or phases came in no lawful order.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise

from daemon.entries import Event, Kind, Phase
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.wire.recording import BadRow, samples
from simulators.records import TruthLog, record
from simulators.scenarios import SCENARIOS
from simulators.stage import Scenario, Stage
from tests.parts.events import facts_in
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PROBE = ProbeUncertainty(conductivity_percent=0.5, temperature_C=0.1)
TOLERANCE = 1.0
TOO_LONG = ("goes-stale",)
NEVER_READY = ("stuck-probe", "never-mixed")
PERIODS_S = (1.0, 2.0, 5.0, 10.0)
LAWFUL = {
    Phase.IDLE: (Phase.BLANK, Phase.DISSOLVING),
    Phase.BLANK: (Phase.DISSOLVING,),
    Phase.DISSOLVING: (Phase.VERIFYING, Phase.BLANK),
    Phase.VERIFYING: (Phase.READY, Phase.OFF_TARGET, Phase.DISSOLVING, Phase.BLANK),
    Phase.READY: (Phase.STALE, Phase.DISSOLVING, Phase.BLANK),
    Phase.OFF_TARGET: (Phase.DISSOLVING, Phase.BLANK),
    Phase.STALE: (Phase.DISSOLVING, Phase.BLANK),
}
"""Where each phase may lead; the design's own rule, written a second time."""


@dataclass(frozen=True, slots=True)
class Run:
    """What is drawn for one run.

    Attributes:
        story: The scenario, its probe already given its error.
        target: Practical salinity wanted.
        period_s: Between two readings, s.
        seed: Of the probe's noise.
    """

    story: Scenario
    target: float
    period_s: float
    seed: int


@dataclass(slots=True)
class Found:
    """How one run came out; None where there was nothing to judge.

    Attributes:
        right: Whether the last verdict is true of the water.
        false_release: Whether water was released that was outside the limits then.
        lawful: Whether the phases came in a lawful order.
        inside: Whether the truth was within the k=2 interval last stated.
        raised: What was raised; empty when nothing was.
    """

    right: bool | None = None
    false_release: bool = False
    lawful: bool | None = None
    inside: bool | None = None
    raised: str = ""


def draw(seed: int, number: int) -> Run:
    """Draw the settings of one run; the same for the same two numbers."""
    dice = random.Random(f"{seed}/{number}")
    names = [name for name in SCENARIOS if name not in TOO_LONG]
    story = SCENARIOS[names[number % len(names)]]()
    character = replace(
        story.character,
        gain=1.0 + dice.gauss(0.0, PROBE.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, PROBE.temperature_C),
    )
    return Run(
        replace(story, character=character, temperature_C=dice.uniform(18.0, 28.0)),
        target=round(story.lands_at + dice.choice((0.0, 0.0, dice.uniform(-2.5, 2.5))), 1),
        period_s=dice.choice(PERIODS_S),
        seed=dice.randrange(1_000_000),
    )


def perform(run: Run) -> tuple[list[Event], list[float]]:
    """Record a run and replay it.

    Returns:
        What the station said, and the true salinity at each reading.
    """
    truth = io.StringIO()
    rows = record(
        Stage.setting(run.story, run.seed),
        hours=run.story.lasts_s / 3600.0,
        period_s=run.period_s,
        start=START,
        truth=TruthLog(truth),
    )
    batch = BatchSettings(
        target_ppt=run.target,
        tolerance_ppt=TOLERANCE,
        vessel=Vessel(fill_l=180.0, capacity_l=220.0, mix_yield=0.881),
    )
    station = Station(
        {"mix-1": ReservoirSettings("mix-1", batch=batch, probes={"ct-1": PROBE})}, weights()
    )
    events: list[Event] = []
    for sample in samples((",".join(row) + "\n" for row in rows), "mix-1", "ct-1"):
        if isinstance(sample, BadRow):
            raise TypeError(f"line {sample.line} of the recording: {sample.why}")
        events += [entry for entry in station.advance(sample) if isinstance(entry, Event)]
    return events, [json.loads(line)["true_salinity"] for line in truth.getvalue().splitlines()]


def judge(run: Run) -> Found:
    """Perform a run and hold what came of it against the truth."""
    try:
        events, truth = perform(run)
    except Exception as exc:  # noqa: BLE001 - that nothing is raised is what is counted
        return Found(raised=f"{type(exc).__name__}: {exc}")
    phases = [event for event in events if event.kind is Kind.PHASE]
    low, high = run.target - TOLERANCE, run.target + TOLERANCE
    released = [_then(e, truth, run) for e in phases if facts_in(e)["to"] == Phase.READY]
    return Found(
        right=_right(run, events, truth[-1]),
        false_release=any(not low <= salinity <= high for salinity in released),
        lawful=is_lawful(phases),
        inside=_inside(run, events, truth),
    )


def is_lawful(phases: Sequence[Event]) -> bool:
    """Say whether each phase follows the one before it, from `idle` on, by a lawful step."""
    steps = [(Phase(str(facts_in(e)["from"])), Phase(str(facts_in(e)["to"]))) for e in phases]
    joined = all(before[1] == after[0] for before, after in pairwise(steps))
    begun = not steps or steps[0][0] is Phase.IDLE
    return begun and joined and all(to in LAWFUL[start] for start, to in steps)


def _then(event: Event, truth: list[float], run: Run) -> float:
    return truth[round((event.at.wall - START).total_seconds() / run.period_s)]


def _stated(events: Sequence[Event]) -> tuple[Event, float, float] | None:
    """Return the last `stabilised` event, its salinity and its standard uncertainty."""
    for event in reversed(events):
        salinity, u = facts_in(event).get("salinity"), facts_in(event).get("salinity_u")
        if event.kind is Kind.STABILISED and isinstance(salinity, float) and isinstance(u, float):
            return event, salinity, u
    return None


def _inside(run: Run, events: Sequence[Event], truth: list[float]) -> bool | None:
    stated = _stated(events)
    if stated is None:
        return None
    event, salinity, u = stated
    return abs(_then(event, truth, run) - salinity) <= 2.0 * u


def _right(run: Run, events: Sequence[Event], true: float) -> bool:
    """Say whether the last phase is true of the water; 'cannot tell' only close to a limit."""
    phases = [str(facts_in(event)["to"]) for event in events if event.kind is Kind.PHASE]
    if run.story.name in NEVER_READY:
        return Phase.READY not in phases
    last, stated = phases[-1] if phases else Phase.IDLE, _stated(events)
    beyond = abs(true - run.target) - TOLERANCE
    if last == Phase.READY:
        return beyond <= 0.0
    if last == Phase.OFF_TARGET:
        return beyond > 0.0
    return last == Phase.VERIFYING and stated is not None and abs(beyond) < 4.0 * stated[2]


def campaign(count: int, seed: int) -> Iterator[tuple[str, Found]]:
    """Yield the story and the outcome of each run."""
    for number in range(count):
        run = draw(seed, number)
        yield run.story.name, judge(run)


def table(found: Sequence[tuple[str, Found]]) -> str:
    """Return the counts by story and in all, as a table."""
    head = ("story", "runs", "right", "false release", "lawful", "inside k=2", "raised")
    lines = [f"{head[0]:<22}" + "".join(f"{word:>15}" for word in head[1:])]
    for name in [*sorted({name for name, _ in found}), "all"]:
        these = [each for story, each in found if name in (story, "all")]
        stated = [each.inside for each in these if each.inside is not None]
        counts = (
            f"{len(these)}",
            f"{sum(each.right is True for each in these)}",
            f"{sum(each.false_release for each in these)}",
            f"{sum(each.lawful is True for each in these)}",
            f"{sum(stated)} of {len(stated)}",
            f"{sum(bool(each.raised) for each in these)}",
        )
        lines.append(f"{name:<22}" + "".join(f"{text:>15}" for text in counts))
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a campaign and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.batches", description=__doc__)
    parser.add_argument("--count", type=int, default=100, metavar="N", help="runs [100]")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of the settings [1]")
    asked = parser.parse_args(arguments)
    found = []
    for number, (name, each) in enumerate(campaign(asked.count, asked.seed)):
        found.append((name, each))
        if each.raised or not each.lawful or not each.right:
            what = each.raised or ("wrong verdict" if each.lawful else "unlawful phases")
            sys.stdout.write(f"run {number}, {name}: {what}\n")
    sys.stdout.write(table(found) + "\n")
    return int(any(each.raised or not each.lawful for _, each in found))


if __name__ == "__main__":
    sys.exit(main())
