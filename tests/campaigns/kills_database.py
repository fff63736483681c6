"""A database killed without warning while entries go into it, and often the daemon with it.

Part of `python -m tests.campaigns.kills`.  `database` is InfluxDB 1.6's engine behind a shim of
ours, which keeps what it acknowledged; `metrics` is victoria-metrics, which forgets what it took
within the last seconds, so that those come again.  Either must hold every entry once in the end.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from daemon.journal.reader import Stored
from tests.campaigns.verdict import Verdict
from tests.conftest import wait_until
from tests.services.influx_parts import BUCKET, ORG, Engine, Metrics, an_engine, metrics, section
from tests.services.service_parts import Process, Station, measuring, playing, running

BACK_S = 120.0
SPEED = 50.0
"""Rehearsals run ahead of the true time; victoria-metrics takes nothing two days ahead."""
SERVERS: dict[str, tuple[Callable[[Path], AbstractContextManager[Engine | Metrics]], int]] = {
    "database": (an_engine, 0),
    "metrics": (metrics, 20),
}
"""How each is had, and how long after acknowledging it has written down, s."""


@dataclass
class Scene:
    """Everything that runs.

    Attributes:
        station: Its folder and journal.
        server: The database.
        measure: The measuring process.
        publish: The publishing process.
        rng: Chance.
    """

    station: Station
    server: Engine | Metrics
    measure: Process
    publish: Process
    rng: random.Random

    def kill(self) -> None:
        """Kill, stay down for a moment, start again, and wait until it works."""
        daemon: list[list[Process]] = [[], [], [self.publish], [self.measure, self.publish]]
        victims: list[Engine | Metrics | Process] = [self.server, *self.rng.choice(daemon)]
        self.rng.shuffle(victims)
        for each in victims:
            each.kill()
        time.sleep(self.rng.uniform(0.0, 1.5))
        for each in victims:
            each.start()
        last = self.station.journal.last_seq()
        wait_until(lambda: self.holds(last), "what was missed", BACK_S)

    def holds(self, seq: int) -> bool:
        """Whether the database holds an entry."""
        time.sleep(0.2)  # asking for all of them is work for both
        return seq in self.stored_numbers()

    def stored_numbers(self) -> list[int]:
        """The numbers of all entries that the database holds."""
        return self.server.seqs("reading") + self.server.seqs("event")

    def missing(self, stored: Sequence[Stored], held: set[int]) -> tuple[int, ...]:
        """The numbers that the database lacks.

        victoria-metrics tells times apart by the millisecond and keeps one point of those that
        differ by less, as when a batch changes its phase twice in one: any of them will do.
        """
        points: dict[object, list[int]] = {}
        for item in stored:
            entry = item.entry
            kind = getattr(entry, "kind", "reading")
            alike = (entry.reservoir, kind, entry.at.wall)
            points.setdefault(alike if isinstance(self.server, Metrics) else item.seq, []).append(
                item.seq
            )
        return tuple(seqs[0] for seqs in points.values() if held.isdisjoint(seqs))

    def end(self) -> Verdict:
        """Let everything come that is to come, and hold it against the journal."""
        before = self.station.journal.last_seq()
        wait_until(lambda: self.station.journal.last_seq() > before, "measuring", BACK_S)
        assert self.measure.stop() == 0
        stored = self.station.stored()
        last = stored[-1].seq
        wait_until(lambda: self.holds(last), "the last entry", BACK_S)
        held = self.stored_numbers()
        return Verdict(
            entries=len(stored),
            missing=self.missing(stored, set(held)),
            foreign=tuple(sorted(set(held) - {item.seq for item in stored})),
            disordered=(),
            doubled=len(held) - len(set(held)),
            batches=len({getattr(item.entry, "batch", "") for item in stored} - {""}),
        )


def campaign(
    folder: Path, target: str, count: int, seed: int, span_s: Callable[[random.Random], float]
) -> Verdict:
    """Kill so many times; return what the database holds in the end."""
    make, kept_after_s = SERVERS[target]
    with make(folder) as server:
        section(server.url, folder)
        more = (
            f'[influx]\nurl = "{server.url}"\norg = "{ORG}"\nbucket = "{BUCKET}"\n'
            f'token_file = "influx-token"\ntimeout_s = 2\nkept_after_s = {kept_after_s}\n'
        )
        station = Station(folder, SPEED, more=more)
        publishing = ("daemon.publish", "--config", str(station.config))
        with (
            playing(station, "plain-batch"),
            measuring(station) as measure,
            running("publish", *publishing, folder=folder) as publish,
        ):
            scene = Scene(station, server, measure, publish, random.Random(seed))
            wait_until(lambda: len(scene.stored_numbers()) > 5, "the first entries", BACK_S)
            for _ in range(count):
                time.sleep(span_s(scene.rng))  # the random moment
                scene.kill()
            return scene.end()
