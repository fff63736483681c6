"""CPU of a start until the first value is in the journal, as the unit files start it."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from tests.benchmarks.budgets.processes import as_a_unit, cpu_s
from tests.benchmarks.budgets.table import Row
from tests.benchmarks.pipeline import answering, has_value
from tests.services import service_parts as parts

AIM_S = 0.8
FLOOR = "import gsw, sqlite3"
"""A bare interpreter with the reference implementation and the database: numpy comes with it."""
PATIENCE_S = 60.0


def rows(rounds: int) -> list[Row]:
    """Measure so many starts, each beside a bare one."""
    ours, bare = [], []
    for _ in range(rounds):
        ours.append(_start_s())
        bare.append(_bare_s())
    floor = f"a bare interpreter with gsw and sqlite3 {median(bare):.2f} s"
    return [
        Row.at_most(
            "cold start of measuring to the first value, CPU", median(ours), AIM_S, "s", floor
        )
    ]


def _start_s() -> float:
    with tempfile.TemporaryDirectory() as text:
        probe = parts.POLLED.replace("= 10", "= 0.2")
        station = parts.Station(Path(text), speed=1.0, probes=[probe])
        with answering(station.port()):
            process = subprocess.Popen(
                as_a_unit("daemon.measure", "--config", str(station.config)),
                stdin=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            try:
                until_s = time.monotonic() + PATIENCE_S
                while not has_value(station):
                    if time.monotonic() > until_s or process.poll() is not None:
                        sys.exit("measuring gave no value: no figure of its start")
                    time.sleep(0.01)
                return cpu_s(process.pid)
            finally:
                process.kill()
                process.wait()


def _bare_s() -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-I", "-c", FLOOR], check=True, env=os.environ)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
