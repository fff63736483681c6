"""Many probes of mixed drivers in one process: is a reading late, and what does it cost?

    python -m tests.benchmarks.many_probes [--seconds 120] [--counts 2 8 16 32 64] [--hang]

Each count of probes, two a reservoir, each at 1 Hz, is measured by a real process over real
transports for so long.  Late is how much longer than its period a probe kept the journal waiting.
`--hang` measures the largest count once more for each kind of bus, the first of which takes
requests and answers none any more: who else is late then?  Nothing is asserted: a slow machine is
no fault.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from daemon.journal.reader import Reader
from tests.benchmarks.probe_crowd import KINDS
from tests.conftest import find_free_port, wait_until
from tests.parts.device_sockets import compiled

PERIOD_S, SETTLE_S = 1.0, 5.0
HANGING = ("line", "modbus", "modbus over TCP", "sdi12", "i2c", "iio", "onewire")
ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Result:
    """What came of one run.

    Attributes:
        probes: How many there were.
        late_s: The most that each kind was late, s.
        share: Of the readings that ought to have come.
        cpu: Share of one core that measuring took.
        memory_mib: Resident, at the end.
    """

    probes: int
    late_s: dict[str, float]
    share: float
    cpu: float
    memory_mib: float


@contextmanager
def broker(folder: Path) -> Iterator[int]:
    """A broker on loopback for everybody; its port."""
    port = find_free_port()
    file = folder / "broker.conf"
    file.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    with _process(["mosquitto", "-c", str(file)], folder / "broker.log"):
        time.sleep(0.5)
        yield port


@contextmanager
def _process(words: Sequence[str], log: Path, **more: str) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as out:
        process = subprocess.Popen(
            words, stdout=out, stderr=subprocess.STDOUT, cwd=ROOT, env={**os.environ, **more}
        )
        try:
            yield process
        finally:
            process.terminate()
            process.wait(20)


def play(many: int, seconds: float, kinds: Sequence[str], hangs: str = "") -> Result:
    """Measure so many probes for so long."""
    with tempfile.TemporaryDirectory(prefix="bw-") as name:
        folder = Path(name)
        with broker(folder) as port:
            crowd = [sys.executable, "-m", "tests.benchmarks.probe_crowd", name, str(many)]
            words = [*crowd, str(port), hangs, *kinds]
            with _process(words, folder / "crowd.log"):
                config = folder / "brinewright.toml"
                wait_until(config.exists, f"the crowd, whose words are in {folder}", 60.0)
                return _measure(folder, many, seconds, kinds)


def _measure(folder: Path, many: int, seconds: float, kinds: Sequence[str]) -> Result:
    words = [sys.executable, "-m", "daemon.measure", "--config", str(folder / "brinewright.toml")]
    preload = str(compiled(folder))
    with _process(words, folder / "measure.log", LD_PRELOAD=preload) as process:
        journal = folder / "journal.db"
        wait_until(journal.exists, "the journal", 30.0)
        time.sleep(SETTLE_S)
        began_s, before = time.monotonic(), _cpu_s(process.pid)
        time.sleep(seconds)
        took_s = time.monotonic() - began_s
        cpu = (_cpu_s(process.pid) - before) / took_s
        memory = _resident_mib(process.pid)
    late, came = _lateness(journal, kinds)
    return Result(many, late, came / (many * took_s / PERIOD_S), cpu, memory)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mib(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return int(next(each for each in lines if each.startswith("VmRSS")).split()[1]) / 1024.0


def _lateness(journal: Path, kinds: Sequence[str]) -> tuple[dict[str, float], int]:
    """Return how late each kind was at the most, and how many values came, the settling aside."""
    times: dict[tuple[int, int], list[float]] = defaultdict(list)
    first_s = None
    for _, each in Reader(journal).readings():
        first_s = each.at.mono_s if first_s is None else first_s
        key = int(each.reservoir.split("-")[1]), int(each.probe.split("-")[1]) - 1
        if each.salinity is not None and each.at.mono_s - first_s >= SETTLE_S:
            times[key].append(each.at.mono_s)
    late: dict[str, float] = {}
    for (reservoir, probe), moments in times.items():
        kind = kinds[(2 * reservoir + probe) % len(kinds)]
        longest_s = max((b - a for a, b in pairwise(moments)), default=float("inf"))
        late[kind] = max(late.get(kind, 0.0), longest_s - PERIOD_S)
    return late, sum(len(moments) for moments in times.values())


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--counts", type=int, nargs="+", default=[2, 8, 16, 32, 64])
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--hang", action="store_true")
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, 4096))
    print("probes  cpu %  MiB    values  latest (s late)")  # noqa: T201
    for many in options.counts:
        _print(play(many, options.seconds, options.kinds))
    if options.hang:
        for kind in (each for each in HANGING if each in options.kinds):
            print(f"the first bus of {kind} hangs:")  # noqa: T201
            _print(play(max(options.counts), options.seconds, options.kinds, kind))


def _print(result: Result) -> None:
    late = ", ".join(f"{kind} {each:.2f}" for kind, each in sorted(result.late_s.items()))
    print(  # noqa: T201
        f"{result.probes:6} {100 * result.cpu:6.1f} {result.memory_mib:5.0f}"
        f" {100 * result.share:7.1f} %  {late}",
        flush=True,
    )


if __name__ == "__main__":
    main()
