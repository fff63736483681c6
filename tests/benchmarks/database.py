"""How fast a backlog goes into a database, and what the publishing process weighs by it.

    python -m tests.benchmarks.database --entries 100000

The real publishing process works through a journal against each of the two real servers on
loopback; see tests/services/influx_parts.py for what they are.  Nothing is asserted but that
every entry is there once.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import Instant, Reading
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.writer import Writer
from tests.conftest import wait_until
from tests.parts.numbered import reading
from tests.services.influx_parts import Server, an_engine, metrics, write_configuration
from tests.services.mqtt_parts import Publisher

BEGAN = datetime(2024, 5, 4, tzinfo=UTC)
AT_ONCE = 5000
PATIENCE_S = 900.0


def _past(number: int) -> Reading:
    at = Instant(BEGAN + timedelta(seconds=number), float(number), "boot-1")
    return replace(reading(number), at=at, salinity=33.0 + number % 997 / 1000)


def _write(path: Path, entries: int) -> None:
    with Writer(path) as writer:
        for first in range(1, entries + 1, AT_ONCE):
            last = min(first + AT_ONCE, entries + 1)
            writer.append([_past(number) for number in range(first, last)], 0.0)


def measure(server: Server, folder: Path, entries: int) -> tuple[float, float]:
    """Return entries a second from the first acknowledged one on, and resident memory, MiB."""
    journal, now = folder / "journal.db", Instant(BEGAN, 1e9, "boot-1")
    _write(journal, entries)

    def waiting() -> int:
        return followers(journal, cursors_path(journal), ["influx"], now, entries)[0].waiting

    publisher = Publisher(write_configuration(folder, server.url), folder / "publish.log")
    publisher.start()
    try:
        wait_until(lambda: waiting() < entries, "the first entries", PATIENCE_S)
        began_s, left = time.monotonic(), waiting()
        wait_until(lambda: waiting() == 0, "the last one", PATIENCE_S)
        took_s = time.monotonic() - began_s
        assert publisher.process is not None
        pages = Path(f"/proc/{publisher.process.pid}/statm").read_text().split()[1]
    finally:
        publisher.kill()
    assert list(range(1, entries + 1)) == server.seqs(), "not every entry is there once"
    return left / took_s, int(pages) * 4096 / 2**20


def main() -> None:
    """Measure both and print it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.database")
    parser.add_argument("--entries", type=int, default=100_000)
    entries = parser.parse_args().entries
    servers: Mapping[str, Callable[[Path], AbstractContextManager[Server]]] = {
        "victoria-metrics": metrics,
        "influxd 1.6, shim": an_engine,
    }
    for what, server in servers.items():
        with tempfile.TemporaryDirectory() as folder, server(Path(folder)) as one:
            per_s, weight_MiB = measure(one, Path(folder), entries)
        sys.stdout.write(f"{what:20} {per_s:8.0f} entries/s   publishing {weight_MiB:.1f} MiB\n")


if __name__ == "__main__":
    main()
