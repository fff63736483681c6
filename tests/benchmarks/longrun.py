"""A simulated day of four reservoirs at 1 Hz through the real measuring loop.

    python -m tests.benchmarks.longrun [--hours 24]

The loop, the drivers, real pseudo-terminals, the station, the journal on disk and its keeping
are the service's own; only the clock goes as fast as the machine can.  Each reservoir mixes
three batches a day.  Resident memory and open descriptors are read each hour, CPU over all.
"""

from __future__ import annotations

import argparse
import logging
import os
import pty
import sqlite3
import statistics
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import Event, Instant
from daemon.journal.host_watch import HostWatch
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.retention import Retention, RetentionLimits
from daemon.journal.upkeep import Upkeep
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments
from daemon.probes.line import LineProbe, LineSettings
from daemon.wire.reply import ReplyFormat, reply_pattern
from simulators.scenarios import plain_batch
from simulators.stage import Stage
from tests.parts.weights import weights

RESERVOIRS = 4
BATCH_S = 8 * 3600
HOUR_S = 3600
FLAT_PERCENT = 2.0
START = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)
REPLY = ReplyFormat(reply_pattern(r"(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)"))
LOG = logging.getLogger("brinewright.benchmark")


@dataclass
class SteppedClock:
    """Time that moves by a second a turn."""

    second: int = 0

    def now(self) -> Instant:
        """Return the present moment."""
        return Instant(START + timedelta(seconds=self.second), 1000.0 + self.second, "benchmark")

    def mono_s(self) -> float:
        """The monotonic time of it."""
        return self.now().mono_s

    def real_s(self, duration_s: float) -> float:
        """Nobody waits."""
        return duration_s


@dataclass(slots=True)
class Timed(Retention):
    """Retention whose slices are timed, ms: as the clock goes, and of CPU."""

    took_ms: list[float] = field(default_factory=list)
    cpu_ms: list[float] = field(default_factory=list)

    def slice(self, db: sqlite3.Connection, now: Instant) -> list[Event]:
        """Do one slice and note how long it took."""
        began_s, cpu_s = time.perf_counter(), time.process_time()
        told = Retention.slice(self, db, now)
        self.cpu_ms.append((time.process_time() - cpu_s) * 1000.0)
        self.took_ms.append((time.perf_counter() - began_s) * 1000.0)
        return told


@dataclass(frozen=True)
class Hour:
    """What was read at the end of one hour."""

    resident_mib: float
    descriptors: int


@contextmanager
def lines() -> Iterator[list[tuple[int, LineProbe]]]:
    """A pseudo-terminal and its driver for each reservoir."""
    ends: list[int] = []
    found = []
    for number in range(1, RESERVOIRS + 1):
        master, slave = pty.openpty()
        tty.setraw(slave)
        ends += [master, slave]
        settings = LineSettings(
            f"mix-{number}", "ct-1", os.ttyname(slave), REPLY, period_s=1.0, timeout_s=1.0
        )
        found.append((master, LineProbe(settings)))
    try:
        yield found
    finally:
        for _, probe in found:
            probe.close()
        for end in ends:
            os.close(end)


def day(
    hours: int, folder: Path, hour_s: int = HOUR_S
) -> tuple[list[Hour], float, int, Timed, int]:
    """Play it; return the hours, CPU seconds, entries, slices, and bytes of journal.

    Args:
        hours: How many.
        folder: Where the journal goes.
        hour_s: How long each is, s; less than an hour for a slice of it.
    """
    clock = SteppedClock()
    path = folder / "journal.db"
    # An hour is kept, so that there is something to do all day.
    retention = Timed(RetentionLimits(readings_days=1 / 24, newest_kept=4000))
    upkeep = Upkeep(
        HostWatch(path), retention, lambda now, why: open_writer(path, 5.0, now, LOG, why)
    )
    names = [f"mix-{number}" for number in range(1, RESERVOIRS + 1)]
    station = Station({name: ReservoirSettings(name) for name in names}, weights())
    seen: list[Hour] = []
    spent_ns = 0
    writer, _ = upkeep.open(clock.now(), "")
    with lines() as probes, closing(writer):
        loop = make_loop(
            station, Instruments([probe for _, probe in probes]), writer, clock, LOG, upkeep=upkeep
        )
        loop.turn()  # opens the ports
        for second in range(1, hours * hour_s + 1):
            if (second - 1) % BATCH_S == 0:
                stages = [Stage.setting(plain_batch(), seed=second + n) for n in range(RESERVOIRS)]
            for (master, _), stage in zip(probes, stages, strict=True):
                stage.advance(float((second - 1) % BATCH_S))
                os.write(master, stage.speak().words)
            clock.second = second
            before_ns = time.process_time_ns()
            loop.turn()
            spent_ns += time.process_time_ns() - before_ns
            if second % hour_s == 0:
                seen.append(Hour(resident_mib(), len([*Path("/proc/self/fd").iterdir()])))
        loop.finish(clock.now())
        written = writer.last_seq
    return seen, spent_ns / 1e9, written, retention, path.stat().st_size


def resident_mib() -> float:
    """Resident memory of this process, MiB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def main() -> None:
    """Play a day, print what was read, and exit 1 when memory or descriptors grew."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=24)
    hours = parser.parse_args().hours
    LOG.disabled = True
    with tempfile.TemporaryDirectory() as text:
        seen, cpu_s, written, retention, size = day(hours, Path(text))
    say = sys.stdout.write
    say("hour  resident MiB  descriptors\n")
    for number, hour in enumerate(seen, start=1):
        say(f"{number:4d}  {hour.resident_mib:12.2f}  {hour.descriptors:11d}\n")
    readings = RESERVOIRS * hours * HOUR_S
    grown = 100.0 * (seen[-1].resident_mib / seen[min(1, len(seen) - 1)].resident_mib - 1.0)
    say(f"memory of the last hour against the second: {grown:+.2f} %\n")
    say(f"CPU: {cpu_s:.0f} s for {readings} readings, {cpu_s / readings * 1e6:.0f} µs each,")
    say(f" {100.0 * cpu_s / (hours * HOUR_S):.3f} % of one core in real time\n")
    say(f"journal: {written} entries, {size / 1e6:.1f} MB\n")
    for name, took in (("clock", retention.took_ms), ("CPU", retention.cpu_ms)):
        busy = sorted(took)
        say(
            f"retention, {name}: {len(busy)} slices, median {statistics.median(busy):.1f} ms,"
            f" 99 of 100 below {busy[int(0.99 * len(busy))]:.1f} ms, longest {busy[-1]:.1f} ms\n"
        )
    if written < readings:
        sys.exit(f"only {written} entries of {readings} readings were written: no figure")
    if grown > FLAT_PERCENT or seen[-1].descriptors != seen[0].descriptors:
        sys.exit("memory or descriptors are not flat")


if __name__ == "__main__":
    main()
