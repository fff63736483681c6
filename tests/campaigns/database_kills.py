"""A database and the publishing process killed at any instant, and what the database holds then.

    python -m tests.campaigns.database_kills --server engine --count 50 --seed 1

Real processes: publishing, and one of the two real servers of tests/services/influx_parts.py.
`engine` (InfluxDB 1.6 behind a shim of ours) keeps what it acknowledged; `metrics`
(victoria-metrics) forgets the last seconds of it.  Readings and events are written all the while.
It is killed again while what it missed is still being made up, which `kills` waits for.
After the last restart every entry of the journal must be there, once.  Ends with 1 if not.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import Follower, Instant
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.followers import followers
from daemon.journal.writer import Writer
from tests.parts.numbered import reading
from tests.services.influx_parts import Server, an_engine, metrics, write_configuration
from tests.services.mqtt_parts import Publisher, event

SERVERS: Mapping[str, Callable[[Path], AbstractContextManager[Server]]] = {
    "engine": an_engine,
    "metrics": metrics,
}
BEGAN = datetime(2024, 5, 4, tzinfo=UTC)
"""In the past: one of the servers drops what lies in its future."""
PACE_S = 0.002
PATIENCE_S = 120.0
"""Longest wait for what was left; the pauses between tries grow to a minute."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the database holds beside what the journal holds.

    Attributes:
        entries: In the journal.
        missing: Numbers that the database lacks.
        doubled: Numbers that it holds more than once.
        refused: Entries that were left out.
        complaints: Lines of the log that tell of a fault of ours.
    """

    entries: int
    missing: tuple[int, ...]
    doubled: tuple[int, ...]
    refused: int
    complaints: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether every entry is there once."""
        return not (self.missing or self.doubled or self.refused or self.complaints)


def kill_and_judge(server: Server, folder: Path, rng: random.Random, deaths: int) -> Verdict:
    """Kill the server twice for each time that publishing is killed; judge after the last.

    Args:
        server: Running.
        folder: For journal, configuration and log.
        rng: Decides on the moments.
        deaths: How many in all.
    """
    journal = folder / "journal.db"
    publisher = Publisher(write_configuration(folder, server.url), folder / "publish.log")
    with Writer(journal) as writer:
        publisher.start()
        try:
            for death in range(deaths):
                _write_until_taken(writer, journal)
                _write_for(writer, rng.uniform(0.0, 0.5))
                if death % 3 == 1:
                    publisher.kill()
                    publisher.start()
                else:
                    server.kill()
                    server.start()
            wanted = Counter(range(1, writer.last_seq + 1))
            held = _held_in_the_end(server, wanted)
        finally:
            publisher.kill()
    return Verdict(
        wanted.total(),
        tuple(sorted(wanted - held)),
        tuple(sorted(held - wanted)),
        _follower(journal).refused,
        tuple(line for line in publisher.log if "Traceback" in line or "ERROR" in line),
    )


def _write_for(writer: Writer, span_s: float) -> None:
    until_s = time.monotonic() + span_s
    while time.monotonic() < until_s:
        number = writer.last_seq + 1
        one = event(number) if number % 10 == 0 else reading(number)
        at = replace(one.at, wall=BEGAN + timedelta(seconds=number))
        writer.append([replace(one, at=at)], time.monotonic())
        time.sleep(PACE_S)  # the pace of the imitated probes


def _write_until_taken(writer: Writer, journal: Path) -> None:
    """Write on until something was acknowledged that was not before: there is something to lose."""
    before = writer.last_seq - _follower(journal).waiting
    deadline_s = time.monotonic() + PATIENCE_S
    while writer.last_seq - _follower(journal).waiting == before:
        assert time.monotonic() < deadline_s, "nothing was taken"
        _write_for(writer, 0.1)


def _follower(journal: Path) -> Follower:
    now = Instant(BEGAN, 1e9, "boot-1")
    deadline_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            (one,) = followers(journal, cursors_path(journal), ["influx"], now, most=10**6)
        except JournalError:
            # Whoever asks never waits for the file, which a publisher that was killed leaves to
            # be recovered by the next to open it.
            assert time.monotonic() < deadline_s, "the cursors cannot be read"
            time.sleep(0.01)
        else:
            return one


def _held_in_the_end(server: Server, wanted: Counter[int]) -> Counter[int]:
    deadline_s = time.monotonic() + PATIENCE_S
    while (held := _stored_counts(server)) != wanted and time.monotonic() < deadline_s:
        time.sleep(0.2)  # between two looks
    return held


def _stored_counts(server: Server) -> Counter[int]:
    return Counter(server.seqs() + server.seqs("event"))


def main() -> int:
    """Run it and print the verdict."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.database_kills")
    parser.add_argument("--server", choices=sorted(SERVERS), default="engine")
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, SERVERS[wanted.server](Path(name)) as server:
        verdict = kill_and_judge(server, Path(name), random.Random(wanted.seed), wanted.count)
    sys.stdout.write(
        f"{wanted.server}: {wanted.count} kills, {verdict.entries} entries, missing"
        f" {len(verdict.missing)}, doubled {len(verdict.doubled)}, refused {verdict.refused},"
        f" complaints {len(verdict.complaints)}\n"
    )
    return 0 if verdict.whole else 1


if __name__ == "__main__":
    sys.exit(main())
