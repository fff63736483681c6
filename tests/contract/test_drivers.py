"""What every driver owes, run over each of them."""

from __future__ import annotations

import fcntl
import os
import pty
import random
import select
import struct
import termios
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Protocol

import pytest

from daemon.config import ConfigError, parse
from daemon.entries import Instant, Sample
from daemon.probes import registry
from daemon.probes.driver import Driver
from daemon.probes.registry import MODULES, SECTIONS

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
PERIOD_S = 2.0
STEP_S = 0.05
TOO_LONG_S = 0.5
"""Generous: a call that waits for an instrument waits for a second or more."""
ARRIVES_WITHIN_S = 5.0
VALUES = [(42.914, 24.5), (43.0, 24.5), (43.25, 24.75)]

FILE = """
[station]
name = "quarantine-wing"

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0

[[reservoir.probe]]
name = "ct-1"
period_s = 2
"""
LINE_KEYS = """
driver = "line"
port = "{place}"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""


def driver_of(keys: str) -> Driver:
    """A driver as a configuration makes it."""
    config = parse(FILE + keys, Path("brinewright.toml"), SECTIONS)
    return registry.make("mix-1", config.reservoirs[0].probes[0])


class Stage(Protocol):
    """A driver together with its instrument.

    Attributes:
        driver: The driver.
        place: How the configuration says where the instrument is.
    """

    driver: Driver
    place: str

    def message(self, number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """What the instrument says for its reading of that number, counted from 0."""

    def say(self, piece: bytes) -> None:
        """Have the instrument say something, and return when it has arrived."""

    def asked(self, *, due: bool) -> bool:
        """Whether the instrument may say its next reading now; `due` after the driver acted."""

    def unplug(self) -> None:
        """Take the instrument away."""

    def plug(self) -> None:
        """Put it back."""


class Talking:
    """An instrument on a serial line that talks by itself, at the end of a pseudo-terminal."""

    request = ""

    def __init__(self, folder: Path) -> None:
        """Wire it; the link stands for the adapter's name."""
        self.link = folder / "ttyUSB0"
        self.place = str(self.link)
        self.plug()
        self.driver = driver_of(LINE_KEYS.format(place=self.place) + self.request)

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A line."""
        return f"{conductivity_mS_cm},{temperature_C}\r\n".encode()

    def say(self, piece: bytes) -> None:
        """Write, and wait until the other end has all of it."""
        descriptor = self.driver.fileno()
        if not self.plugged or descriptor is None:
            return
        expected = waiting(descriptor) + len(piece)
        os.write(self.master, piece)
        until_s = time.monotonic() + ARRIVES_WITHIN_S
        while waiting(descriptor) < expected:
            assert time.monotonic() < until_s, "the pseudo-terminal lost something"

    def asked(self, *, due: bool) -> bool:
        """It needs no asking, but a listener."""
        return self.driver.fileno() is not None

    def unplug(self) -> None:
        """Take the device away."""
        self.plugged = False
        self.link.unlink()
        os.close(self.master)
        os.close(self.slave)

    def plug(self) -> None:
        """Give it a new device under the old name."""
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.link.symlink_to(os.ttyname(self.slave))
        self.plugged = True

    def close(self) -> None:
        """Take all away."""
        if self.plugged:
            self.unplug()


class Asked(Talking):
    """An instrument on a serial line that answers a request."""

    request = 'request = "READ?\\n"\n'
    pending = False

    def asked(self, *, due: bool) -> bool:
        """Whether a request has arrived that is not answered whole."""
        if not self.plugged or self.driver.fileno() is None:
            self.pending = False
        elif due and select.select([self.master], [], [], 1.0)[0]:
            self.pending = os.read(self.master, 100) == b"READ?\n"
        return self.pending

    def say(self, piece: bytes) -> None:
        """Answer, or begin to."""
        super().say(piece)
        self.pending = not piece.endswith(b"\n")


class Playing:
    """A recording that grows, as an instrument's own program writes it."""

    def __init__(self, folder: Path) -> None:
        """Begin the file."""
        self.path = folder / "rows.csv"
        self.place = str(self.path)
        self.rows = 0
        self.driver = driver_of(f'driver = "recorded"\npath = "{self.path}"\n')
        self.plug()

    def message(self, number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A row, one period after the one before it."""
        wall = NOON + timedelta(seconds=PERIOD_S * number)
        return f"{wall.isoformat()},{conductivity_mS_cm},{temperature_C}\r\n".encode()

    def say(self, piece: bytes) -> None:
        """Append it."""
        if self.path.exists():
            with self.path.open("ab") as file:
                file.write(piece)

    def asked(self, *, due: bool) -> bool:
        """It needs no asking."""
        return True

    def unplug(self) -> None:
        """Take the file away."""
        self.path.unlink()

    def plug(self) -> None:
        """Begin a new one."""
        self.path.write_text("time,conductivity_mS_cm,temperature_C\n", encoding="utf-8")

    def close(self) -> None:
        """Nothing is open."""


STAGES: dict[str, tuple[str, Callable[[Path], Talking | Playing]]] = {
    "line, talking": ("line", Talking),
    "line, asked": ("line", Asked),
    "recorded": ("recorded", Playing),
}


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
            if self.stage.asked(due=due) and coming:
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

    def faults(self) -> list[tuple[float, str]]:
        """When a fault was said, s, and which."""
        return [(each.at.mono_s, each.fault) for each in self.samples if each.fault]

    def said(self, first: int = 0) -> list[bytes]:
        """What the instrument says for all values."""
        return [self.stage.message(first + n, *pair) for n, pair in enumerate(VALUES)]


@pytest.fixture(params=STAGES)
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    """Each driver on its bench, with an instrument that has said nothing yet."""
    stage = STAGES[request.param][1](tmp_path)
    yield Bench(stage)
    stage.driver.close()
    stage.close()


def waiting(descriptor: int) -> int:
    """How many bytes wait at a descriptor."""
    (count,) = struct.unpack("i", fcntl.ioctl(descriptor, termios.FIONREAD, b"\0" * 4))
    return int(count)


def open_descriptors() -> int:
    """How many this process has."""
    return len(list(Path("/proc/self/fd").iterdir()))


def test_every_driver_is_put_to_this_proof() -> None:
    """A driver that is registered and not on a stage here is not one yet."""
    assert set(MODULES) == {name for name, _ in STAGES.values()}


def test_it_is_a_driver(bench: Bench) -> None:
    """It has what the loop calls."""
    assert isinstance(bench.stage.driver, Driver)


def test_each_reading_is_one_sample_in_our_units(bench: Bench) -> None:
    """In order, with its reservoir, its probe and the moment at which it came."""
    bench.run(0.7)
    bench.run(12.0, bench.said())

    assert VALUES == bench.values()
    assert {("mix-1", "ct-1")} == {(each.reservoir, each.probe) for each in bench.samples}
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
    for message in bench.said():
        cuts = sorted(chance.sample(range(1, len(message)), chance.randint(0, 6)))
        ends = [*cuts, len(message)]
        pieces += [message[a:b] for a, b in zip([0, *cuts], ends, strict=True)]
    bench.run(0.7)
    bench.run(12.0, pieces)

    assert VALUES == bench.values()


def test_an_instrument_that_goes_and_comes_back_is_found_again(bench: Bench) -> None:
    """There is a fault that says so in between, and readings afterwards, without a restart."""
    bench.run(0.7)
    bench.run(8.0, bench.said())
    bench.stage.unplug()
    bench.run(12.0)
    before = len(bench.values())
    gone = bench.faults()
    bench.stage.plug()
    bench.run(1.0)
    bench.run(12.0, bench.said(first=20))

    assert VALUES == bench.values()[:before]
    assert any(bench.stage.place in why for _, why in gone)
    assert VALUES == bench.values()[before:]


def test_no_call_waits_for_the_instrument(bench: Bench) -> None:
    """Neither while it is silent, nor while it talks, nor while it is gone."""
    bench.run(4.0)
    bench.run(8.0, bench.said())
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
    bench.run(16.0, bench.said())

    assert VALUES[-1] in bench.values()


def test_a_clock_that_jumps_changes_nothing(bench: Bench) -> None:
    """Only durations count: a wall clock set by a day, forth or back, moves no reading."""
    bench.run(0.7)
    bench.run(PERIOD_S, bench.said()[:1])
    bench.wall_ahead_s = 86_400.0
    bench.run(PERIOD_S, bench.said()[1:2])
    bench.wall_ahead_s = -86_400.0
    bench.run(PERIOD_S, bench.said()[2:])

    assert VALUES == bench.values()
    assert [] == bench.faults()


def test_a_driver_lets_go_of_its_descriptor(bench: Bench) -> None:
    """Closed, once or twice, it holds nothing open and watches nothing."""
    before = open_descriptors()
    bench.run(4.0, bench.said()[:1])
    bench.stage.driver.close()
    bench.stage.driver.close()

    assert before == open_descriptors()
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
