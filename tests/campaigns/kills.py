"""Kills without warning at random moments of a batch, and what a durable subscriber holds then.

    python -m tests.campaigns.kills --target broker --count 50 --seed 1

Real processes: a simulated instrument on a real line, measuring, publishing, a broker that writes
down once a second what it acknowledged, and a subscriber whose session the broker keeps while it
is away, which it often is when something is killed.  After the last restart it must hold every
entry of the journal, once after those that came twice are dropped by `seq`, in order, each byte
as the journal has it.  Ends with 1 if it does not.  The targets `database` and `metrics` are told
of in `kills_database`.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from daemon.journal.reader import Stored
from daemon.publishing.topic_messages import entry_message
from tests.campaigns import kills_database
from tests.campaigns.verdict import Verdict
from tests.conftest import Broker, find_free_port, wait_until
from tests.services.mqtt_parts import STATION, Listener, listening
from tests.services.service_parts import Process, Station, measuring, playing, running

TARGETS = ("broker", "daemon", "both", *kills_database.SERVERS)
BROKER = ("autosave_on_changes false", "autosave_interval 1", "max_queued_messages 0")
KEPT_AFTER_S = 5
"""The broker looks once a second whether a second is over, and takes a moment to write."""
BACK_S = 90.0
"""Longest wait for what was killed to work again; the pauses between tries grow to a minute."""
STEADY_S = 10.5
"""Who worked for so long is tried again soon; see `Backoff`."""


@dataclass
class Tally:
    """Counts the entries among what a subscriber was sent, each message looked at once.

    Attributes:
        listener: The subscriber.
        first: What came first under each number, in the order of coming.
        doubled: How many came again.
    """

    listener: Listener
    first: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    doubled: int = 0
    _looked: int = 0

    @property
    def count(self) -> int:
        """How many entries came so far, with those that came again."""
        news = self.listener.messages[self._looked :]
        self._looked += len(news)
        for topic, payload, _ in news:
            if topic.endswith(("/reading", "/event")):
                seq = json.loads(payload)["seq"]
                self.doubled += seq in self.first
                self.first.setdefault(seq, (topic, payload))
        return len(self.first) + self.doubled

    def holds(self, seq: int) -> bool:
        """Whether an entry came."""
        return self.count > 0 and seq in self.first

    def verdict(self, stored: Sequence[Stored]) -> Verdict:
        """Hold what came against the journal."""
        messages = ((item.seq, entry_message(STATION, item)) for item in stored)
        journal = {seq: (told.topic, told.payload) for seq, told in messages}
        came, highest, disordered = list(self.first), 0, []
        for seq in came:
            if seq < highest:
                disordered.append(seq)
            highest = max(highest, seq)
        return Verdict(
            entries=len(journal),
            missing=tuple(seq for seq in journal if seq not in self.first),
            foreign=tuple(seq for seq in came if self.first[seq] != journal.get(seq)),
            disordered=tuple(disordered),
            doubled=self.doubled,
            batches=len({getattr(item.entry, "batch", "") for item in stored} - {""}),
        )


@dataclass
class Scene:
    """Everything that runs.

    Attributes:
        station: Its folder and journal.
        broker: The broker.
        measure: The measuring process.
        publish: The publishing process.
        tally: What the subscriber was sent.
        rng: Chance.
    """

    station: Station
    broker: Broker
    measure: Process
    publish: Process
    tally: Tally
    rng: random.Random

    def victims(self, target: str) -> list[Broker | Process]:
        """Return who is killed this time, in this order."""
        daemon: list[list[Broker | Process]] = [
            [self.measure],
            [self.publish],
            [self.measure, self.publish],
        ]
        chosen: list[Broker | Process] = [] if target == "broker" else self.rng.choice(daemon)
        if target != "daemon":
            chosen = [*chosen, self.broker]
        self.rng.shuffle(chosen)
        return chosen

    def kill(self, target: str) -> None:
        """Kill without warning, stay down for a moment, start again, and wait until it works."""
        victims, away = self.victims(target), self.rng.random() < 0.7
        if away:
            self.tally.listener.leave()
            time.sleep(self.rng.uniform(0.0, 2.0))  # what comes now is in the broker alone
        for each in victims:
            each.kill()
            time.sleep(self.rng.choice((0.0, self.rng.uniform(0.0, 0.1))))
        time.sleep(self.rng.uniform(0.0, 0.5))
        for each in victims:
            each.start()
        if away:
            time.sleep(self.rng.uniform(0.0, 1.0))
            self.tally.listener.come()
        before, last = self.tally.count, self.last_seq()
        if self.rng.random() < 0.5:  # at the beginning of what is made up, or after it
            wait_until(lambda: self.tally.count > before, "anything", BACK_S)
        else:
            wait_until(lambda: self.tally.holds(last), "what was missed", BACK_S)

    def last_seq(self) -> int:
        """The newest number in the journal."""
        return self.station.journal.last_seq()

    def end(self) -> Verdict:
        """Let everything come that is to come, and hold it against the journal."""
        before = self.last_seq()
        wait_until(lambda: self.last_seq() > before, "measuring", BACK_S)
        assert self.measure.stop() == 0
        last = self.last_seq()
        wait_until(lambda: self.tally.holds(last), "the last entry", BACK_S)
        # What is missing now would have come before it, for it comes in order.
        return self.tally.verdict(self.station.stored())


@contextmanager
def scene(folder: Path, seed: int) -> Iterator[Scene]:
    """Set everything up, with the first entries published, and take it down."""
    (folder / "broker").mkdir()
    broker = Broker(folder / "broker", find_free_port(), BROKER)
    section = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\nkeepalive_s = 5\n'
    station = Station(folder, more=f"{section}kept_after_s = {KEPT_AFTER_S}\n")
    publishing = ("daemon.publish", "--config", str(station.config))
    broker.start()
    try:
        with (
            listening(broker) as heard,
            playing(station, "plain-batch"),
            measuring(station) as measure,
            running("publish", *publishing, folder=folder) as publish,
        ):
            tally = Tally(heard)
            wait_until(lambda: tally.count > 5, "the first entries", BACK_S)
            yield Scene(station, broker, measure, publish, tally, random.Random(seed))
    finally:
        broker.kill()


def short_life(rng: random.Random) -> float:
    """Seconds between one kill and the next."""
    return rng.uniform(0.0, 1.5)


def life(rng: random.Random) -> float:
    """Seconds between one kill and the next, one in four long enough for pauses to shrink again."""
    return STEADY_S if rng.random() < 0.25 else rng.uniform(0.0, 3.0)


def campaign(
    folder: Path, target: str, count: int, seed: int, span_s: Callable[[random.Random], float]
) -> Verdict:
    """Kill so many times; return what the subscriber holds in the end."""
    with scene(folder, seed) as everything:
        for _ in range(count):
            time.sleep(span_s(everything.rng))  # the random moment
            everything.kill(target)
        return everything.end()


def main() -> None:
    """Run a campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.kills")
    parser.add_argument("--target", choices=TARGETS, required=True)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        run = kills_database.campaign if wanted.target in kills_database.SERVERS else campaign
        found = run(Path(folder), wanted.target, wanted.count, wanted.seed, life)
    sys.stdout.write(
        f"{wanted.target} killed {wanted.count} times in {time.monotonic() - begun_s:.0f} s:"
        f" {found.entries} entries of {found.batches} batches,"
        f" {len(found.missing)} missing {found.missing[:5]},"
        f" {len(found.foreign)} foreign {found.foreign[:5]},"
        f" {len(found.disordered)} out of order {found.disordered[:5]},"
        f" {found.doubled} came again\n"
    )
    sys.exit(0 if found.good else 1)


if __name__ == "__main__":
    main()
