"""What every driver owes, run over each of them."""

from __future__ import annotations

import random
import select
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.config import ConfigError
from daemon.entries import Instant, Sample
from daemon.probes.driver import Driver
from daemon.probes.registry import MODULES
from tests.conftest import wait_until
from tests.parts.all_stages import STAGES
from tests.parts.driver_stages import BOTH, NAMES, NOON, PERIOD_S, Stage, driver_of

STEP_S = 0.05
TOO_LONG_S = 0.5
"""Generous: a call that waits for an instrument waits for a second or more."""
VALUES = [(42.914, 24.5), (43.0, 24.5), (43.25, 24.75)]


@dataclass
class Bench:
    """A stage, and a clock that a test turns on as fast as it likes."""

    stage: Stage
    t_s: float = 100.0
    wall_ahead_s: float = 0.0
    samples: list[Sample] = field(default_factory=list)
    slowest_s: float = 0.0

    def run(self, duration_s: float, pieces: Sequence[bytes] = ()) -> None:
        """Let time pass; the instrument says each piece when it may."""
        coming, until_s = list(pieces), self.t_s + duration_s
        while self.t_s < until_s:
            now = self.now()
            due = self.stage.driver.wake_s() <= now.mono_s
            self.take(self.stage.driver.wake, now)
            # One that acted and now waits may have sent a request; one that gave up has not.
            due = due and self.stage.driver.wake_s() > now.mono_s
            if self.stage.may_send(due=due) and coming:
                self.stage.say(coming.pop(0))
            descriptor = self.stage.driver.fileno()
            if descriptor is not None and select.select([descriptor], [], [], 0)[0]:
                self.take(self.stage.driver.readable, now)
            self.t_s = round(self.t_s + STEP_S, 3)

    def now(self) -> Instant:
        """The moment, as a clock that may have jumped tells it."""
        wall = NOON + timedelta(seconds=self.t_s + self.wall_ahead_s)
        return Instant(wall, round(self.t_s, 3))

    def take(self, call: Callable[[Instant], list[Sample]], now: Instant) -> None:
        """Call a driver and keep what it gives, and how long it took."""
        began_s = time.monotonic()
        self.samples += call(now)
        self.slowest_s = max(self.slowest_s, time.monotonic() - began_s)

    def values(self) -> list[tuple[float | None, float | None]]:
        """What was measured, in order."""
        return [
            (each.conductivity_mS_cm, each.temperature_C) for each in self.samples if not each.fault
        ]

    def expected(self) -> list[tuple[float | None, float | None]]:
        """What there is to measure, as far as the instrument gives it."""
        gives = getattr(self.stage, "gives", BOTH)
        cell, thermometer = "conductivity" in gives, "temperature" in gives
        return [(a if cell else None, b if thermometer else None) for a, b in VALUES]

    def faults(self) -> list[tuple[float, str]]:
        """When a fault was said, s, and which."""
        return [(each.at.mono_s, each.fault) for each in self.samples if each.fault]

    def messages(self, first: int = 0) -> list[bytes]:
        """What the instrument says for all values."""
        return [self.stage.message(first + n, *pair) for n, pair in enumerate(VALUES)]


@pytest.fixture(params=STAGES)
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    """Each driver on its bench, with an instrument that has said nothing yet."""
    stage = STAGES[request.param][1](tmp_path)
    yield Bench(stage)
    stage.driver.close()
    stage.close()


def open_descriptors() -> int:
    """How many this process has."""
    return len(list(Path("/proc/self/fd").iterdir()))


def test_every_driver_is_put_to_this_proof() -> None:
    """A driver that is registered and not on a stage here is not one yet."""
    of_the_guide = {"newest"}
    # It says nothing of the water, so it is put to its own proof (tests/services/test_gpio.py).
    a_contact = {"gpio"}

    assert set(MODULES) - a_contact == {name for name, _ in STAGES.values()} - of_the_guide


def test_it_is_a_driver(bench: Bench) -> None:
    """It has what the loop calls."""
    assert isinstance(bench.stage.driver, Driver)


def test_each_reading_is_one_sample_in_our_units(bench: Bench) -> None:
    """In order, with its reservoir, its probe and the moment at which it came."""
    bench.run(0.7)
    bench.run(12.0, bench.messages())

    assert bench.expected() == bench.values()
    assert {getattr(bench.stage, "names", NAMES)} == {
        (each.reservoir, each.probe) for each in bench.samples
    }
    assert all(100.0 <= each.at.mono_s < bench.t_s for each in bench.samples)


def test_silence_is_a_fault_and_no_flood_of_faults(bench: Bench) -> None:
    """One within four periods, and again while it lasts, but not at every period."""
    bench.run(60.0)
    times = [t_s for t_s, _ in bench.faults()]

    assert [] == bench.values()
    assert times[0] <= 100.0 + 4 * PERIOD_S
    assert all(5.0 <= after - before <= 9.0 for before, after in pairwise(times))


@pytest.mark.parametrize("seed", range(8))
def test_any_chopping_of_the_bytes_gives_the_same_samples(bench: Bench, seed: int) -> None:
    """How the operating system hands over what an instrument said makes no difference."""
    chance, pieces = random.Random(seed), list[bytes]()
    for message in bench.messages():
        cuts = sorted(chance.sample(range(1, len(message)), chance.randint(0, 6)))
        ends = [*cuts, len(message)]
        pieces += [message[a:b] for a, b in zip([0, *cuts], ends, strict=True)]
    bench.run(0.7)
    bench.run(12.0, pieces)

    assert bench.expected() == bench.values()


def test_an_instrument_that_goes_and_comes_back_is_found_again(bench: Bench) -> None:
    """There is a fault that says so in between, and readings afterwards, without a restart."""
    bench.run(0.7)
    bench.run(8.0, bench.messages())
    bench.stage.unplug()
    bench.run(12.0)
    before = len(bench.values())
    gone = bench.faults()
    bench.stage.plug()
    bench.run(1.0)
    bench.run(12.0, bench.messages(first=20))

    assert bench.expected() == bench.values()[:before]
    assert any(bench.stage.place in why for _, why in gone)
    assert bench.expected() == bench.values()[before:]


def test_no_call_waits_for_the_instrument(bench: Bench) -> None:
    """Neither while it is silent, nor while it talks, nor while it is gone."""
    bench.run(4.0)
    bench.run(8.0, bench.messages())
    bench.stage.unplug()
    bench.run(8.0)

    assert bench.slowest_s < TOO_LONG_S


def test_a_fault_is_a_sentence_for_whoever_must_act(bench: Bench) -> None:
    """What is wrong, where, and what to do, on one line that can be printed."""
    bench.run(20.0)
    bench.stage.unplug()
    bench.run(20.0)

    assert bench.faults()
    for _, why in bench.faults():
        assert bench.stage.place in why
        assert "; " in why or why.endswith("?")
        assert why.isprintable()


@pytest.mark.parametrize("seed", range(4))
def test_nothing_that_an_instrument_says_raises_an_exception(bench: Bench, seed: int) -> None:
    """Noise makes faults, and what follows it is read."""
    chance = random.Random(seed)
    noise = [chance.randbytes(chance.randint(1, 400)) for _ in range(30)]
    bench.run(0.7)
    bench.run(60.0, noise)
    bench.run(9.0, [b"\r\n"])
    bench.samples.clear()
    bench.run(16.0, bench.messages())

    assert bench.expected()[-1] in bench.values()


def test_a_clock_that_jumps_changes_nothing(bench: Bench) -> None:
    """Only durations count: a wall clock set by a day, forth or back, moves no reading."""
    bench.run(0.7)
    bench.run(PERIOD_S, bench.messages()[:1])
    bench.wall_ahead_s = 86_400.0
    bench.run(PERIOD_S, bench.messages()[1:2])
    bench.wall_ahead_s = -86_400.0
    bench.run(2 * PERIOD_S, bench.messages()[2:])
    came_s = [each.at.mono_s for each in bench.samples if not each.fault]

    assert bench.expected() == bench.values()
    assert [] == [t_s for t_s, _ in bench.faults() if came_s[0] <= t_s <= came_s[-1]]


def test_a_driver_lets_go_of_its_descriptor(bench: Bench) -> None:
    """Closed, once or twice, it holds nothing open and watches nothing."""
    before = open_descriptors()
    bench.run(4.0, bench.messages()[:1])
    bench.stage.driver.close()
    bench.stage.driver.close()

    # A thread that is at a device lets go of it when its call returns.
    wait_until(lambda: before == open_descriptors(), "the descriptors to be closed")
    assert bench.stage.driver.fileno() is None


def test_a_wrong_key_of_a_driver_is_named_with_the_nearest_right_one() -> None:
    """All faults come at once: those of the driver's own keys beside those of all probes."""
    keys = 'driver = "recorded"\npaht = "rows.csv"\ncalibrate_every_days = 0\n'
    with pytest.raises(ConfigError) as caught:
        driver_of(keys)
    sentences = " ".join(caught.value.faults)

    assert 3 == len(caught.value.faults)
    assert "probe[ct-1].paht is not a known key; the nearest is path" in sentences
    assert "probe[ct-1].path is missing" in sentences
    assert "probe[ct-1].calibrate_every_days = 0 is not allowed" in sentences
