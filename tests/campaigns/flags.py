"""How often each quality test flags a reading, over simulated stories and drawn batches.

    python -m tests.campaigns.flags --ordinary 40

Every story of `simulators.scenarios` is played once, and that many ordinary batches of
`tests.campaigns.hands` are drawn: vessels, probes, noise, resolution, periods from 1 to 30 s,
bubbles and lost replies.  An ordinary batch must give no failed reading by a test that looks at
more than one value of one probe in water (`FURTHER`): a false alarm costs more than a reading that
is not suspected.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from random import Random

from daemon.entries import Entry, Flag, Input, Instant, Reading, Sample
from daemon.mixing.probe.quality import FURTHER, TESTS
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from simulators.instrument import Character
from simulators.scenarios import SCENARIOS
from simulators.stage import Scenario, Stage
from tests.campaigns.hands.bench import PROBE, RESERVOIR, Bench
from tests.campaigns.hands.draws import draw
from tests.campaigns.hands.moves import UnpreparedError
from tests.campaigns.hands.things import ORDINARY, STORIES
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PERIOD_S = 2.0
PAIRS = ("plain-batch", "top-up-after-release", "heel")
"""Stories that are played with two probes."""
TEN_THOUSAND = 10_000.0


@dataclass
class Count:
    """Readings, and how many of them each test flagged.

    Attributes:
        readings: All of them.
        flagged: By test and flag.
        example: A figure of each test and flag, the first.
    """

    readings: int = 0
    flagged: Counter[tuple[str, Flag]] = field(default_factory=Counter)
    example: dict[tuple[str, Flag], str] = field(default_factory=dict)

    def take(self, entries: Iterable[Entry]) -> None:
        """Count the readings among some entries."""
        for reading in entries:
            if not isinstance(reading, Reading) or reading.salinity is None:
                continue
            self.readings += 1
            for name, flag in reading.tests.items():
                if flag is not Flag.PASS:
                    self.flagged[name, flag] += 1
                    self.example.setdefault((name, flag), reading.figures.get(name, ""))

    def add(self, other: Count) -> None:
        """Add what another counted."""
        self.readings += other.readings
        self.flagged += other.flagged
        self.example = other.example | self.example

    def false_failures(self) -> dict[str, str]:
        """Return the tests of `FURTHER` that failed a reading, each with a figure."""
        return {
            name: figure
            for (name, flag), figure in self.example.items()
            if name in FURTHER and flag is Flag.FAIL
        }


class CountingStation(Station):
    """A station whose readings are counted."""

    count: Count

    def advance(self, item: Input) -> list[Entry]:
        """Process one input and count its reading."""
        entries = super().advance(item)
        self.count.take(entries)
        return entries


class CountingBench(Bench):
    """A bench whose readings are counted."""

    @property
    def count(self) -> Count:
        """What was counted since the last power cut."""
        station = self.station
        assert isinstance(station, CountingStation)
        return station.count

    def _station(self, kept: str | None = None) -> Station:
        assert kept is None
        drawn = self.draw
        settings = ReservoirSettings(
            RESERVOIR, batch=drawn.settings, quality=drawn.quality, probes={PROBE: drawn.worth}
        )
        station = CountingStation({RESERVOIR: settings}, weights())
        station.count = Count()
        return station


def of_ordinary(number: int, seed: int) -> Count:
    """Play an ordinary batch of a keeper's day."""
    bench = CountingBench(draw(ORDINARY, number, seed))
    bench.wait(60.0)
    with suppress(UnpreparedError):  # a probe that cannot prove the limits releases nothing
        STORIES[ORDINARY](bench)
    return bench.count


def of_scenario(story: Scenario, period_s: float = PERIOD_S, hours: float | None = None) -> Count:
    """Play a story into a station of the default settings."""
    stage = Stage.setting(story, 7)
    station = CountingStation({RESERVOIR: ReservoirSettings(RESERVOIR)}, weights())
    station.count = Count()
    length_s = story.plays_s if hours is None else hours * 3600.0
    for n in range(int(length_s / period_s) + 1):
        stage.advance(n * period_s)
        spoken = stage.speak()
        conductivity, temperature_C = spoken.conductivity_mS_cm, spoken.temperature_C
        at = Instant(START + timedelta(seconds=n * period_s), 1000.0 + n * period_s, "boot-1")
        silent = conductivity is None
        station.advance(
            Sample(
                RESERVOIR,
                PROBE,
                at,
                conductivity,
                None if silent else temperature_C,
                fault="no reply" if silent else "",
            )
        )
    return station.count


def of_pair(story: Scenario, number: int, seed: int, period_s: float = 5.0) -> Count:
    """Play a story with two probes in the same water, each wrong by what it is stated to be worth.

    Both stand in one reservoir: the water of a story is the same each time it is played.
    """
    dice = Random(f"pair {seed} {number}")
    worth = ProbeUncertainty(dice.choice((0.2, 0.35)), dice.choice((0.05, 0.1)))
    stages = {
        probe: Stage.setting(replace(story, character=_drawn(story.character, worth, dice)), n)
        for n, probe in enumerate((PROBE, "ct-2"))
    }
    settings = ReservoirSettings(RESERVOIR, probes=dict.fromkeys(stages, worth))
    station = CountingStation({RESERVOIR: settings}, weights())
    station.count = Count()
    for n in range(int(story.plays_s / period_s) + 1):
        for late_s, (probe, stage) in enumerate(stages.items()):
            t_s = n * period_s + 0.5 * late_s
            stage.advance(t_s)
            spoken = stage.speak()
            if spoken.conductivity_mS_cm is not None:
                at = Instant(START + timedelta(seconds=t_s), 1000.0 + t_s, "boot-1")
                values = (spoken.conductivity_mS_cm, spoken.temperature_C)
                station.advance(Sample(RESERVOIR, probe, at, *values))
    return station.count


def _drawn(usual: Character, worth: ProbeUncertainty, dice: Random) -> Character:
    return replace(
        usual,
        conductivity_lag_s=dice.uniform(1.0, 15.0),
        temperature_lag_s=dice.uniform(5.0, 60.0),
        gain=1.0 + dice.gauss(0.0, worth.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, worth.temperature_C),
        noise_share=usual.noise_share * dice.uniform(0.5, 3.0),
    )


def table(title: str, count: Count) -> str:
    """Return how often each test flagged, in ten thousand readings."""
    lines = [f"{title}: {count.readings} readings"]
    for name in TESTS:
        found = [
            f"{flag.name.lower()} {count.flagged[name, flag] * TEN_THOUSAND / count.readings:.2f}"
            f" ({count.example[name, flag]})"
            for flag in (Flag.SUSPECT, Flag.FAIL)
            if count.flagged[name, flag]
        ]
        untested = count.flagged[name, Flag.NOT_EVALUATED] / count.readings
        found.append(f"not evaluated {untested:.0%}")
        lines.append(f"  {name:18} {'; '.join(found)}")
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables; 1 where a further test failed a reading of an ordinary batch."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ordinary", type=int, default=40, metavar="N", help="batches [40]")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of everything [1]")
    asked = parser.parse_args(arguments)
    for name, make in SCENARIOS.items():
        sys.stdout.write(table(name, of_scenario(make())))
        sys.stdout.flush()
    ordinary = Count()
    for number in range(asked.ordinary):
        ordinary.add(of_ordinary(number, asked.seed))
    sys.stdout.write(table(f"{asked.ordinary} ordinary batches", ordinary))
    pairs = Count()
    for number in range(asked.ordinary):
        for name in PAIRS:
            pairs.add(of_pair(SCENARIOS[name](), number, asked.seed))
    sys.stdout.write(table(f"{asked.ordinary} times two probes in {', '.join(PAIRS)}", pairs))
    return 1 if ordinary.false_failures() or pairs.false_failures() else 0


if __name__ == "__main__":
    sys.exit(main())
