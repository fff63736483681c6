"""The wall clock jumps by a year, back and forth, under the real service: libfaketime moves it.

The monotonic clock goes on evenly, as the kernel's does when the date is set.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise
from pathlib import Path
from statistics import median

import gsw

from daemon import assembly
from daemon.clock import boot_id
from daemon.config import load
from daemon.entries import Event, Kind, Phase, Reading
from daemon.journal.checkpoint import dump
from daemon.journal.writer import Writer
from daemon.mixing.station.station import Station as Mixing
from simulators.lines import SimulatedLine
from tests.conftest import Broker, wait_until
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import Story
from tests.parts.weights import weights
from tests.services.mqtt_parts import listening
from tests.services.service_parts import (
    POLLED,
    Process,
    Station,
    assert_plain_speech,
    running,
    serving,
)

PERIOD_S = 0.3
MIXED_MIN = 60.0
AGE_H = 1.0
SOME = 5
LATE_H = 0.02
"""A snapshot's age may be a minute out just after a jump, until the next snapshot."""
COURSE = ("-365d", "+0", "+365d", "+0")


@dataclass
class SteadyWater:
    """An instrument in water that does not change; it answers when asked."""

    plugged: bool = True
    lossless: bool = True
    dice: random.Random = field(default_factory=lambda: random.Random(5))

    def advance(self, t_s: float) -> bytes:
        """Say nothing without a request."""
        return b""

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer each request."""
        conductivity = float(gsw.C_from_SP(34.0, 24.0, 0.0)) * self.dice.gauss(1.0, 1.5e-4)
        warmth = self.dice.gauss(24.0, 0.006)
        return data.count(b"\n") * f"{1000.0 * conductivity:.1f},{warmth:.2f}\r".encode()

    def next_s(self) -> float | None:
        """Never does anything unasked."""
        return None


@dataclass
class WallClock:
    """The wall clock of the processes that are started under it.

    Attributes:
        file: What it is set by.
    """

    file: Path

    def set(self, offset: str) -> None:
        """Have it jump to `offset` from the true time."""
        fresh = self.file.with_suffix(".fresh")
        fresh.write_text(f"{offset}\n")
        fresh.replace(self.file)

    @property
    def environment(self) -> dict[str, str]:
        """What puts a process under it."""
        (library,) = Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")
        return {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }


def with_a_ready_batch(station: Station) -> None:
    """Write the journal of a batch that was released about `AGE_H` hours ago, in this boot."""
    story = Story(period_s=10.0, boot=boot_id())
    minutes = 3.0 + MIXED_MIN + 60.0 * AGE_H
    story.t_s = round(time.monotonic() - 60.0 * minutes, 3)
    story.wall = datetime.now(UTC) - timedelta(minutes=minutes)
    mixing = Mixing(assembly.reservoirs(load(station.config)), weights())
    entries = story.still(3).dissolve(34.0, MIXED_MIN + 60.0 * AGE_H).play(mixing)
    with Writer(station.folder / "journal.db") as writer:
        picture = snapshot_in(mixing, "mix-1", entries[-1].at)
        writer.append(entries, 0.0, {"mix-1": picture}, dump(mixing.state))


def age_h(station: Station) -> float:
    """Hours since release, as the picture has it."""
    found = station.picture()["age_h"]
    assert isinstance(found, float)
    return found


def let_it_jump(station: Station, clock: WallClock, measure: Process) -> None:
    """Have the clock jump to and fro, some readings apart; while it is ahead, measuring dies."""
    for offset in COURSE:
        clock.set(offset)
        station.wait_for_readings(len(station.readings()) + SOME)
        if offset == "+365d":
            measure.kill()
            measure.start()
            station.wait_for_readings(len(station.readings()) + SOME)


def test_a_wall_clock_that_jumps_by_a_year_costs_no_entry_and_no_age(
    make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """No reading is left out or comes twice, no batch gets a year older, and all is published."""
    broker = make_broker("autosave_on_changes false")
    broker.start()
    section = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n'
    station = Station(tmp_path, 1.0, [POLLED.replace("= 10", f"= {PERIOD_S:g}")], section)
    with_a_ready_batch(station)
    before, age_before_h = len(station.stored()), age_h(station)
    begun_s = station.stored()[-1].entry.at.mono_s
    clock = WallClock(tmp_path / "clock")
    clock.set("+0")
    words = ("--config", str(station.config))
    with (
        listening(broker) as heard,
        serving(SimulatedLine(station.port(), SteadyWater())),
        running(
            "measure", "daemon.measure", *words, folder=tmp_path, environment=clock.environment
        ) as measure,
        running(
            "publish", "daemon.publish", *words, folder=tmp_path, environment=clock.environment
        ) as publish,
    ):
        station.wait_for_readings(len(station.readings()) + SOME)
        let_it_jump(station, clock, measure)
        assert 0 == measure.stop()
        last = station.stored()[-1].seq
        wait_until(lambda: last in heard.seqs(), "the last entry")
        passed_h = (time.monotonic() - begun_s) / 3600.0
        assert 0 == publish.stop()

    stored = station.stored()
    live = [item.entry for item in stored[before:]]
    assert list(range(1, len(stored) + 1)) == [item.seq for item in stored]
    assert [item.seq for item in stored] == list(dict.fromkeys(heard.seqs()))
    assert [0, -365, 0, 365, 0] == days_away(live)
    assert_evenly_taken([each for each in live if isinstance(each, Reading)])
    assert (Phase.READY, "") == (station.picture()["phase"], phases_since(live))
    assert abs(age_h(station) - age_before_h - passed_h) < LATE_H
    assert_plain_speech(measure)


def days_away(entries: list[Reading | Event]) -> list[int]:
    """How far the wall clock was from where the monotonic one has it, each jump once, days."""
    now = datetime.now(UTC)
    offsets = [round((each.at.wall - now).total_seconds() / 86_400.0) for each in entries]
    return [offset for offset, _ in groupby(offsets)]


def phases_since(entries: list[Reading | Event]) -> str:
    """Where the batch went, in words; empty for nowhere."""
    return " ".join(
        str(facts_in(each)["to"])
        for each in entries
        if isinstance(each, Event) and each.kind is Kind.PHASE
    )


def assert_evenly_taken(readings: list[Reading]) -> None:
    """Assert that one reading was taken each period but while the process was being started."""
    times_s = [each.at.mono_s for each in readings]
    gaps_s = sorted(after - here for here, after in pairwise(times_s))
    assert min(gaps_s) > 0.0
    # A busy machine may be late with some, the start after the kill among them.
    assert median(gaps_s) < 2.0 * PERIOD_S
