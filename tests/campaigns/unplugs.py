"""A serial adapter pulled out and put back again and again: how soon a value comes each time.

    python -m tests.campaigns.unplugs --count 100 --seed 1
    python -m tests.campaigns.unplugs --count 100 --seed 1 --talking

Real measuring on a real pseudo-terminal that goes away at a random moment, for a random while,
and comes back under the same name, mostly as another device; by request, or from an instrument
that talks by itself.  Ends with 1 when a value took two periods or more.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.conftest import wait_until
from tests.services.service_parts import (
    FREE_RUNNING,
    POLLED,
    Process,
    Station,
    TroubledLine,
    measuring,
    serving,
)

PATIENCE_S = 60.0
LIMIT_PERIODS = 2.0


@dataclass
class Adapter:
    """An instrument whose adapter can be pulled, and who reads it.

    Attributes:
        station: Who reads it.
        line: Who talks.
        measure: The measuring process.
        speed: How many times faster time runs.
        period_s: Between two readings, s.
        rng: Chance.
    """

    station: Station
    line: TroubledLine
    measure: Process
    speed: float
    period_s: float
    rng: random.Random

    def outage(self) -> float:
        """Pull it, put it back, and return how many periods a value took to come."""
        time.sleep(self.rng.uniform(0.0, 2.0) * self.period_s / self.speed)  # the random moment
        self.line.pulled.set()
        wait_until(lambda: not self.station.port().is_symlink(), "the port to go")
        time.sleep(self.rng.uniform(0.0, 5.0) * self.period_s / self.speed)  # the random while
        self.line.pulled.clear()
        wait_until(self.station.port().is_symlink, "the port to come back")
        back_s = time.monotonic() * self.speed  # as the station's own clock counts

        def came() -> list[float]:
            good = (each for each in self.station.readings() if not each.fault)
            return [each.at.mono_s for each in good if each.at.mono_s > back_s]

        wait_until(lambda: came() != [], "a value", PATIENCE_S)
        return (came()[0] - back_s) / self.period_s

    def open_files(self) -> int:
        """How many files measuring has open."""
        return sum(1 for _ in Path(f"/proc/{self.measure.pid}/fd").iterdir())


@contextmanager
def adapter(
    folder: Path, speed: float, period_s: float, seed: int, *, talking: bool
) -> Iterator[Adapter]:
    """Have an instrument in steady water measured, with the first readings taken."""
    probe = (FREE_RUNNING if talking else POLLED).replace("= 10", f"= {period_s:g}")
    station = Station(folder, speed, [probe])
    story = replace(plain_batch(), actions=(), starts_at=34.0)
    speaker = StageSpeaker(Stage.setting(story, seed=1), period_s, free_running=talking)
    line = TroubledLine(speaker)
    with serving(SimulatedLine(station.port(), line, speed)), measuring(station) as measure:
        station.wait_for_readings(3)
        yield Adapter(station, line, measure, speed, period_s, random.Random(seed))


def main() -> None:
    """Run a campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.unplugs")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--talking", action="store_true", help="an instrument that is not asked")
    parser.add_argument("--period", type=float, default=1.0, help="seconds between readings")
    wanted = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        adapter(Path(folder), 1.0, wanted.period, wanted.seed, talking=wanted.talking) as one,
    ):
        took = sorted(one.outage() for _ in range(wanted.count))
        files = one.open_files()
    slow = sum(each >= LIMIT_PERIODS for each in took)
    sys.stdout.write(
        f"pulled {wanted.count} times: a value after {statistics.median(took):.2f} periods"
        f" (median), {took[int(0.9 * len(took))]:.2f} (90 %), {took[-1]:.2f} (longest);"
        f" {slow} took {LIMIT_PERIODS:g} or more; {files} open files in the end\n"
    )
    sys.exit(1 if slow else 0)


if __name__ == "__main__":
    main()
