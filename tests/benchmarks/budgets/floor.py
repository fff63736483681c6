"""The bare floor: a program that reads one instrument, computes one salinity and keeps one row.

    python -m tests.benchmarks.budgets.floor PORT JOURNAL [--ask HZ]

It does what nobody can leave out, in the plainest way: woken by a line, or by its own clock where
it has to ask for one, it makes two numbers of it and one salinity of them, and commits one row.
"""

from __future__ import annotations

import argparse
import os
import re
import select
import sqlite3
import time
import tty
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import gsw

REPLY = re.compile(rb"([\d.]+),([\d.]+)")
TABLE = "CREATE TABLE r (seq INTEGER PRIMARY KEY, a, b, c, d, e, f, g, h, i, j, k, l, m)"


class BareFloor:
    """One conversion and one row as long as a reading, committed alone."""

    def __init__(self, path: Path) -> None:
        """Make the table."""
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = NORMAL")
        self.db.execute(TABLE)
        self._seq = 0

    def take(self, conductivity_mS_cm: float, temperature_C: float) -> None:
        """Keep one reading."""
        self._seq += 1
        salinity = float(gsw.SP_from_C(conductivity_mS_cm, temperature_C, 0.0))
        row = (
            *(self._seq, 1, 1_772_438_400_000 + self._seq, 1_000_000 + self._seq, 1),
            *(conductivity_mS_cm, temperature_C, salinity, 0.2, 1),
            *("1111111", None, "", "50000.0,24.00"),
        )
        self.db.execute("BEGIN IMMEDIATE")
        self.db.execute("INSERT INTO r VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
        self.db.execute("COMMIT")

    def close(self) -> None:
        """Let go of the file."""
        self.db.close()


def main(words: Sequence[str] | None = None) -> None:
    """Read until the line is gone."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks.budgets.floor", description=__doc__)
    parser.add_argument("port", type=Path)
    parser.add_argument("journal", type=Path)
    parser.add_argument(
        "--ask", type=float, metavar="HZ", help="ask so often; else the instrument talks"
    )
    options = parser.parse_args(words)
    port = os.open(options.port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(port)
    with closing(BareFloor(options.journal)) as floor:
        due_s = time.monotonic()
        while True:
            if options.ask:
                due_s += 1.0 / options.ask
                time.sleep(max(0.0, due_s - time.monotonic()))
                os.write(port, b"READ?\n")
            select.select([port], [], [])
            found = REPLY.search(os.read(port, 4096))
            if found is not None:
                floor.take(float(found[1]) / 1000.0, float(found[2]))


if __name__ == "__main__":
    main()
