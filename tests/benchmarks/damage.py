"""How long a start looks for damage in a large journal.

python -m tests.benchmarks.damage --readings 3300000

A slow machine is no fault; a sound journal that is called damaged is one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from daemon.journal.recovery.integrity_check import CHECK_S, check_integrity
from daemon.journal.writer import Writer
from tests.parts.numbered import event, reading

AT_ONCE = 10_000
EVENT_EVERY = 1000


def write(path: Path, readings: int) -> None:
    """Write a journal of so many readings, an event among each thousand."""
    with Writer(path, 1e12) as writer:
        for first in range(0, readings, AT_ONCE):
            some = [reading(number) for number in range(first, min(first + AT_ONCE, readings))]
            writer.append([*some, *map(event, range(first, first + len(some), EVENT_EVERY))], 0.0)


def main() -> None:
    """Print the figure; exit 1 when a sound journal is called damaged."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.damage")
    parser.add_argument("--readings", type=int, default=3_300_000)
    readings = parser.parse_args().readings
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        write(path, readings)
        began_s = time.monotonic()
        found = check_integrity(path)
        took_s = time.monotonic() - began_s
        size_mb = path.stat().st_size / 1e6
    whole = "all of it" if found.whole else f"not all of it, for {CHECK_S:g} s were over"
    sys.stdout.write(f"{readings} readings, {size_mb:.0f} MB: {took_s:.1f} s, {whole}\n")
    if found.why:
        sys.exit(f"a sound journal was called damaged: {found.why}")


if __name__ == "__main__":
    main()
