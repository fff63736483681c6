"""The pages of batches: what a list of years costs, and the curve of a long batch.

    python -m tests.benchmarks.batch_pages
    python -m tests.benchmarks.batch_pages --batches 15000 --days 7

One journal has so many batches with their events, the other one batch of so many days with a
reading each second.  CPU of one core is measured, from the request to the bytes of the answer,
so that a busy machine changes it little.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from daemon.page.application import Application
from tests.page.page_parts import asked
from tests.parts.batch_scene import MadeBatch, lot_with, many, write_scene
from tests.unit.page.batches.parts import site_over

AIM_MS = 200.0
LOOKS = 5
MINUTES_A_DAY = 1440.0


@dataclass(frozen=True)
class Cost:
    """What one answer costs: the first time, and usually; its bytes."""

    first_ms: float
    usual_ms: float
    size: int


def cost_of(application: Application, address: str) -> Cost:
    """Ask for an address some times.

    Raises:
        AssertionError: It is not answered.
    """
    spent = list[float]()
    for _ in range(1 + LOOKS):
        began = time.process_time()
        reply = asked(application, address)
        spent.append(1000.0 * (time.process_time() - began))
        assert reply.status == 200, reply.text
    return Cost(spent[0], sorted(spent[1:])[LOOKS // 2], len(reply.body))


def list_costs(folder: Path, batches: int) -> dict[str, Cost]:
    """What pages of a list of so many batches cost."""
    made, path = many(batches), folder / "list.db"
    lots = [lot_with("blue-7", [0.868, 0.871] * 10, made), lot_with("blue-8", [0.86], made)]
    write_scene(path, made, readings=False, lots=lots)
    application = site_over(path).application
    middle = f"/api/batches?before={6 * batches // 2}"
    return {
        f"newest of {batches} batches, page": cost_of(application, "/batches"),
        f"newest of {batches} batches, interface": cost_of(application, "/api/batches"),
        f"from the middle of {batches} batches": cost_of(application, middle),
        "two lots with 21 batches": cost_of(application, "/lots"),
    }


def curve_costs(folder: Path, days: float) -> dict[str, Cost]:
    """What the curve of a batch of so many days at 1 Hz costs, ended and going on."""
    minutes = days * MINUTES_A_DAY
    found = dict[str, Cost]()
    for name, then in (("ended", ("ready", "used")), ("going on", ("ready",))):
        path = folder / f"{name}.db"
        batch = MadeBatch(minutes=minutes, period_s=1.0, then=then)
        write_scene(path, [batch])
        cost = cost_of(site_over(path).application, f"/api/batches/{batch.id}/curve")
        found[f"curve of {days:g} days at 1 Hz, {name}"] = cost
    return found


def main(words: Sequence[str]) -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--batches", type=int, default=500)
    parser.add_argument("--days", type=float, default=1.0)
    given = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        costs = list_costs(folder, given.batches) | curve_costs(folder, given.days)
    for what, cost in costs.items():
        figures = f"{cost.first_ms:.0f} ms first, then {cost.usual_ms:.0f} ms; {cost.size} bytes"
        sys.stdout.write(f"{what}  {figures}  {AIM_MS:.0f} ms\n")


if __name__ == "__main__":
    main(sys.argv[1:])
