"""What a backup of a large journal takes, and how long it holds up the one who writes meanwhile.

python -m tests.benchmarks.backup --readings 5000000

A slow machine is no fault; memory that grows with the journal, or a writer that waits for the
backup, is one.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from daemon.entries import Reading
from daemon.journal.writer import Writer
from tests.parts.configurations import JOURNAL, configuration
from tests.parts.numbered import event, reading

AT_ONCE = 10_000
EVENT_EVERY = 1000
FLUSH_S = 0.2
PAUSE_S = 0.02
ALONE_S = 10.0
CONFIGURATION = configuration(JOURNAL)


@dataclass(frozen=True, slots=True)
class Waits:
    """How long writing took, each time.

    Attributes:
        count: How often.
        median_ms: In the middle.
        longest_ms: At most.
    """

    count: int
    median_ms: float
    longest_ms: float


def noisy(number: int, dice: random.Random) -> Reading:
    """A reading as an instrument says it, for what never varies packs too well."""
    conductivity, temperature = round(dice.gauss(51, 0.01), 3), round(dice.gauss(25, 0.01), 2)
    return replace(
        reading(number, spoken=f"{1000 * conductivity:.0f},{temperature:.2f}"),
        conductivity_mS_cm=conductivity,
        temperature_C=temperature,
        salinity=dice.gauss(33, 0.01),
        salinity_u=0.1 + dice.random() / 10_000,
    )


def write(path: Path, readings: int) -> None:
    """Write a journal of so many readings, an event among each thousand."""
    dice = random.Random(1)
    with Writer(path, 1e12) as writer:
        for first in range(0, readings, AT_ONCE):
            some = [noisy(n, dice) for n in range(first, min(first + AT_ONCE, readings))]
            writer.append([*some, *map(event, range(first, first + len(some), EVENT_EVERY))], 0.0)


def write_on(writer: Writer, goes_on: Callable[[], bool]) -> Waits:
    """Write a reading fifty times a second for so long."""
    took_s: list[float] = []
    while goes_on():
        began_s = time.monotonic()
        writer.append([reading(10_000_000 + len(took_s))], began_s)
        took_s.append(time.monotonic() - began_s)
        time.sleep(PAUSE_S)
    took_s.sort()
    return Waits(len(took_s), 1e3 * took_s[len(took_s) // 2], 1e3 * took_s[-1])


def measure(folder: Path) -> str:
    """Back up a station's journal while it is written; return what that took."""
    (folder / "brinewright.toml").write_text(CONFIGURATION)
    words = (sys.executable, "-m", "daemon.cli.main", "backup", "create", str(folder / "a.backup"))
    with Writer(folder / "journal.db", FLUSH_S) as writer:
        until_s = time.monotonic() + ALONE_S
        alone = write_on(writer, lambda: time.monotonic() < until_s)
        began_s = time.monotonic()
        process = subprocess.Popen(
            [*words, "--config", str(folder / "brinewright.toml")], stdout=subprocess.DEVNULL
        )
        used: list[object] = []

        def goes_on() -> bool:
            done, _, found = os.wait4(process.pid, os.WNOHANG)
            if done:
                used.append(found)
            return not done

        beside = write_on(writer, goes_on)
        took_s = time.monotonic() - began_s
        process.returncode = 0
    sizes = [(folder / name).stat().st_size / 1e6 for name in ("journal.db", "a.backup")]
    usage = used[0]
    return (
        f"{sizes[0]:.0f} MB to {sizes[1]:.0f} MB in {took_s:.0f} s,"
        f" {getattr(usage, 'ru_utime', 0) + getattr(usage, 'ru_stime', 0):.0f} s of CPU,"
        f" {getattr(usage, 'ru_maxrss', 0) / 1024:.0f} MiB at most; a commit took"
        f" {beside.median_ms:.1f} ms (median) and {beside.longest_ms:.0f} (longest of"
        f" {beside.count}), without a backup {alone.median_ms:.1f} and {alone.longest_ms:.0f}"
    )


def main() -> None:
    """Print the figures for two sizes of journal."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.backup")
    parser.add_argument("--readings", type=int, default=5_000_000)
    readings = parser.parse_args().readings
    for count in (readings // 10, readings):
        with tempfile.TemporaryDirectory() as place:
            write(Path(place) / "journal.db", count)
            sys.stdout.write(f"{count} readings, {measure(Path(place))}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
