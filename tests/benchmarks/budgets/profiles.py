"""Where a budget goes: CPU of a reading by room, and memory of measuring by what brings it.

CPU is sampled by a timer that runs while the process computes, so that no function costs more for
being watched.  A sample belongs to the room of the innermost frame that is the service's.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from tests.benchmarks import pipeline
from tests.benchmarks.budgets.processes import ROOT
from tests.benchmarks.budgets.table import Row
from tests.services import service_parts as parts

EVERY_S = 0.001
ROUNDS = 5
LEAST_SHARE = 0.03
"""Rooms below it are counted together."""
DAEMON = f"{ROOT / 'daemon'}/"
STAGES = {
    "interpreter": "pass",
    "sqlite3": "import sqlite3",
    "numpy and gsw": "import gsw",
    "pydantic": "import pydantic",
    "imports": "import daemon.measure.main",
    "configuration": "from daemon.config import load; load(sys.argv[1])",
}
"""What is loaded one after another, and what brings it."""
STAGED = """\
import re, sys
from pathlib import Path
sys.path.insert(0, {root!r})
for stage in {stages!r}:
    exec(stage)
    print(re.search(r"VmRSS:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
"""


def rows(folder: Path) -> list[Row]:
    """Sample readings on their whole way, and load what measuring loads."""
    return [_cpu_row(folder), _memory_row(folder)]


def _cpu_row(folder: Path) -> Row:
    with _sampled() as rooms:
        for _ in range(ROUNDS):
            pipeline.pipeline_us(pipeline.words(), folder, pipeline.FLUSH_S)
    total = rooms.total()
    if not total:
        sys.exit("no sample was taken: no profile")
    shares = {room: count / total for room, count in rooms.most_common()}
    small = sum(share for share in shares.values() if share < LEAST_SHARE)
    large = [f"{room} {share:.0%}" for room, share in shares.items() if share >= LEAST_SHARE]
    text = ", ".join([*large, f"others {small:.0%}"])
    return Row("CPU of a reading by room, without a rest", text, "", None)


@contextmanager
def _sampled() -> Iterator[Counter[str]]:
    """Count, until the block ends, in which room of the service the processor is."""
    rooms: Counter[str] = Counter()

    def count(_: int, frame: FrameType | None) -> None:
        while frame is not None and not frame.f_code.co_filename.startswith(DAEMON):
            frame = frame.f_back
        if frame is not None:
            rooms[_room(frame.f_code.co_filename)] += 1

    former = signal.signal(signal.SIGPROF, count)
    signal.setitimer(signal.ITIMER_PROF, EVERY_S, EVERY_S)
    try:
        yield rooms
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, former)


def _room(file: str) -> str:
    """Return the folder of a file below `daemon`, two deep at most; the file's name at the top."""
    steps = file.removeprefix(DAEMON).split("/")
    return "/".join(steps[:-1][:2]) or steps[0]


def _memory_row(folder: Path) -> Row:
    station = parts.Station(folder, speed=1.0, probes=[parts.POLLED])
    program = STAGED.format(root=str(ROOT), stages=tuple(STAGES.values()))
    command = [sys.executable, "-I", "-c", program, str(station.config)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    steps = zip(STAGES, (int(line) / 1024.0 for line in done.stdout.split()), strict=True)
    text = ", ".join(f"{name} {mib:.1f}" for name, mib in steps)
    return Row("memory of measuring after each stage of its start", f"{text} MiB", "", None)
