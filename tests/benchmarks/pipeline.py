"""What a reading costs, what a station holds, and how soon it measures: figures beside aims.

    python -m tests.benchmarks.pipeline

Nothing is asserted: a slow machine is no fault.  CPU is that of the process, user and system.
"""

from __future__ import annotations

import gc
import logging
import os
import pty
import re
import select
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from daemon.entries import Instant
from daemon.journal.writer import Writer
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments
from daemon.probes.line import LineProbe, LineSettings
from daemon.wire.reply import ReplyFormat, reply_pattern
from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.benchmarks.budgets.floor import BareFloor
from tests.conftest import wait_until
from tests.parts.weights import weights
from tests.services import service_parts as parts

RATIO_AIM, MEMORY_AIM_MIB, START_AIM_S = 5.0, 70.0, 2.0
READINGS, ROUNDS, STARTS = 3000, 3, 5
PERIOD_S = 2.0
FLUSH_S = 5.0
NEVER_S = 3600.0 * 24
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
REPLY = ReplyFormat(reply_pattern(r"(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)"))


class SteppedClock:
    """Time that stands still until it is moved on by a period."""

    def __init__(self) -> None:
        """Begin at the start."""
        self.steps = 0

    def now(self) -> Instant:
        """Return the present moment."""
        t_s = self.steps * PERIOD_S
        return Instant(START + timedelta(seconds=t_s), 1000.0 + t_s, "benchmark")

    def mono_s(self) -> float:
        """The monotonic time of it."""
        return self.now().mono_s

    def real_s(self, duration_s: float) -> float:
        """A second is a second."""
        return duration_s


def words() -> list[bytes]:
    """What a probe says over a whole batch, a line a reading."""
    stage = Stage.setting(plain_batch(), seed=1)
    said = []
    for number in range(READINGS):
        stage.advance(number * PERIOD_S)
        said.append(stage.speak().words)
    return said


def pipeline_us(lines: list[bytes], folder: Path, flush_s: float) -> float:
    """CPU of one reading, µs: bytes of a real line, driver, station, picture, commit.

    The detector is armed as soon as the salt arrives, which is a tenth of the way in.
    """
    master, slave = pty.openpty()
    tty.setraw(slave)
    clock = SteppedClock()
    probe = LineProbe(LineSettings("mix-1", "ct-1", os.ttyname(slave), REPLY, period_s=PERIOD_S))
    quiet = logging.getLogger("brinewright.benchmark")
    quiet.disabled = True
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    spent_ns = 0
    with Writer(folder / f"{time.monotonic_ns()}.db", flush_s) as writer:
        loop = make_loop(station, Instruments([probe]), writer, clock, quiet)
        loop.turn()  # opens the port
        for line in lines:
            clock.steps += 1
            os.write(master, line)
            before_ns = time.process_time_ns()
            loop.turn()
            spent_ns += time.process_time_ns() - before_ns
        written = writer.last_seq
    probe.close()
    os.close(master)
    os.close(slave)
    if written < READINGS:
        sys.exit(f"only {written} entries of {READINGS} readings were written: no figure")
    return spent_ns / len(lines) / 1000.0


def floor_us(lines: list[bytes], folder: Path) -> float:
    """CPU of the bare floor, µs: one conversion, one row as long as a reading, one commit.

    Woken by a line as the pipeline is, for a processor that was called away does
    the same work more slowly than one that goes round in a tight loop.
    """
    master, slave = pty.openpty()
    tty.setraw(slave)
    spent_ns = 0
    with closing(BareFloor(folder / f"{time.monotonic_ns()}.db")) as floor:
        for seq, line in enumerate(lines):
            os.write(master, line)
            select.select([slave], [], [], 1.0)
            os.read(slave, 4096)
            before_ns = time.process_time_ns()
            floor.take(50.0 + seq / 1e4, 24.0)
            spent_ns += time.process_time_ns() - before_ns
    os.close(master)
    os.close(slave)
    return spent_ns / len(lines) / 1000.0


def cpu_rows(folder: Path) -> list[tuple[str, str, str]]:
    """CPU of a reading against the floor, rounds taking turns so that both see the same machine."""
    lines = words()
    whole, unforced, bare = [], [], []
    for _ in range(ROUNDS):
        gc.collect()
        whole.append(pipeline_us(lines, folder, FLUSH_S))
        unforced.append(pipeline_us(lines, folder, NEVER_S))
        bare.append(floor_us(lines, folder))
    floor = statistics.median(bare)
    return [
        ("bare floor, CPU", f"{floor:.0f} µs", ""),
        _ratio("a reading, CPU", statistics.median(whole), floor),
        _ratio("  without forcing to the card", statistics.median(unforced), floor),
    ]


def _ratio(name: str, cost_us: float, floor_us_: float) -> tuple[str, str, str]:
    return name, f"{cost_us:.0f} µs, {cost_us / floor_us_:.1f} x", f"<= {RATIO_AIM:g} x"


def memory_row(folder: Path) -> tuple[str, str, str]:
    """Resident memory of a measuring process after some thousand readings."""
    recording = folder / "recorded.csv"
    told = ["record", "plain-batch", "--period", "2", "--out", str(recording)]
    subprocess.run(
        [sys.executable, "-m", "simulators", *told], cwd=parts.ROOT, check=True, capture_output=True
    )
    rows = len(recording.read_text().splitlines()) - 1
    talking = parts.FREE_RUNNING.replace("= 10", "= 2")
    station = parts.Station(folder, speed=500.0, probes=[talking])
    repeat = ["simulators", "repeat", str(recording), "--link", str(station.port())]
    with (
        parts.running("line", *repeat, "--speed", "500", folder=folder),
        parts.measuring(station) as process,
    ):
        wait_until(lambda: len(station.readings()) >= rows, f"{rows} readings", 100.0)
        status = Path(f"/proc/{process.pid}/status").read_text()
        process.stop()
    (kib,) = re.findall(r"VmRSS:\s+(\d+) kB", status)
    return (
        f"memory after {rows} readings",
        f"{int(kib) / 1024:.1f} MiB",
        f"<= {MEMORY_AIM_MIB:g} MiB",
    )


@contextmanager
def answering(port: Path) -> Iterator[None]:
    """An instrument on a real line, in real time."""
    line = SimulatedLine(port, StageSpeaker(Stage.setting(plain_batch(), seed=1)))
    with parts.serving(line):
        yield


def has_value(station: parts.Station) -> bool:
    """Whether a value is in the journal."""
    return any(reading.salinity is not None for reading in station.readings())


def cold_start_row(name: str, *command: str) -> tuple[str, str, str]:
    """From the start of a process to the first value in the journal, real seconds."""
    took_s = []
    for _ in range(STARTS):
        with tempfile.TemporaryDirectory() as text:
            probe = parts.POLLED.replace("= 10", "= 0.2")
            station = parts.Station(Path(text), speed=1.0, probes=[probe])
            process = parts.Process([*command, "--config", str(station.config)], Path(text) / "log")
            with answering(station.port()):
                began_s = time.monotonic()
                process.start()
                wait_until(partial(has_value, station), name, 30.0)
                took_s.append(time.monotonic() - began_s)
                process.stop()
    spread = f"{statistics.median(took_s):.2f} s (longest of {STARTS}: {max(took_s):.2f})"
    return name, spread, f"<= {START_AIM_S:g} s"


def main() -> None:
    """Measure everything and print a table."""
    with tempfile.TemporaryDirectory() as text:
        rows = [
            *cpu_rows(Path(text)),
            memory_row(Path(text)),
            cold_start_row("cold start of daemon.measure", "daemon.measure"),
            cold_start_row(
                "cold start of run --only measure", "daemon.cli.main", "run", "--only", "measure"
            ),
        ]
    widths = [max(len(row[column]) for row in rows) for column in (0, 1)]
    sys.stdout.write(f"{'what':<{widths[0]}}  {'measured':<{widths[1]}}  aim\n")
    for name, measured, aim in rows:
        sys.stdout.write(f"{name:<{widths[0]}}  {measured:<{widths[1]}}  {aim}\n")


if __name__ == "__main__":
    main()
