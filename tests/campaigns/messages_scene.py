"""The scene of `messages`: a journal, publishing that is killed, and receivers on loopback."""

from __future__ import annotations

import random
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.clock import Clock, clock_of
from daemon.entries import Body, Event
from daemon.journal.writer import Writer
from tests.conftest import wait_until
from tests.parts.configurations import configuration
from tests.services.notify_parts import Hook, Mailbox, write_urls
from tests.services.service_parts import Process

SPEED = 300.0
"""Times faster: an hour is 12 s, and ten minutes of doubt about a release are 2 s."""
QUIET_H = (3, 5)
ON_ITS_WAY = timedelta(minutes=45)
"""What sends takes seconds to start on a busy machine: what was sent before may come so late."""
PATIENCE_S = 120.0
SHORTEST_LIFE_S, LONGEST_LIFE_S = 0.2, 5.0
NEWS_WORDS = "released due off-target undecided suspended ageing"
CONFIGURATION = f"""
[journal]
path = "journal.db"
[page]
enabled = false
[notify]
urls_file = "receivers"
quiet_from = "{QUIET_H[0]:02}:00"
quiet_until = "{QUIET_H[1]:02}:00"
at_most_per_h = 1000
"""
NUMBER = re.compile(r"\bnumber (\d+)\b|^Volume: (\d+) L$", re.MULTILINE)
"""Each message that is to come, or must not come, says its number."""
OF_ALARMS = frozenset({"off-target", "undecided", "suspended"})
"""Kinds that are alarms of medium priority."""
KINDS = OF_ALARMS | {"released", "released again", "withdrawn", "due", "ageing"}


@dataclass(frozen=True)
class Arrival:
    """One message as a receiver took it.

    Attributes:
        life: Of the publishing process, from 1.
        at: By the clock of the rehearsal.
        numbers: Of what it says.
    """

    life: int
    at: datetime
    numbers: frozenset[int]


@dataclass
class Receiver:
    """A receiver, what it took, and what its line selects.

    Attributes:
        name: For the report.
        kinds: Which kinds of messages must come.
        quiet: Whether it has quiet hours.
        arrivals: In order.
    """

    name: str
    kinds: frozenset[str]
    quiet: bool
    arrivals: list[Arrival] = field(default_factory=list)

    def has(self, number: int) -> bool:
        """Whether a message came."""
        return any(number in each.numbers for each in self.arrivals)


class Taken(list[Any]):
    """What a server took; each message is looked at as it comes."""

    def __init__(self, take: Callable[[Any], None]) -> None:
        super().__init__()
        self._take = take

    def append(self, message: Any) -> None:  # noqa: ANN401 - a mail, or JSON
        """Take a message."""
        self._take(message)
        super().append(message)


@dataclass
class Scene:
    """Everything that a campaign needs.

    Attributes:
        folder: Of the station.
        clock: Of the rehearsal.
        rng: Of this campaign.
        process: Publishing.
        writer: Of the journal.
        receivers: Who gets what.
        expected: The kind of each message that is to come, by number.
        forbidden: Numbers of what must never come: it was not true any more.
        life: Of the publishing process, from 1.
        kills: So far.
        ended: Set when no more kills are to come.
    """

    folder: Path
    clock: Clock
    rng: random.Random
    process: Process
    writer: Writer
    receivers: Sequence[Receiver]
    expected: dict[int, str] = field(default_factory=dict)
    forbidden: set[int] = field(default_factory=set)
    life: int = 1
    kills: int = 0
    ended: threading.Event = field(default_factory=threading.Event)
    _number: int = 0
    _batch: int = 0

    def next_number(self, kind: str = "") -> int:
        """A number, of a message of a kind that is to come, or of none."""
        self._number += 1
        if kind:
            self.expected[self._number] = kind
        return self._number

    def begin_batch(self) -> str:
        """The id of another batch."""
        self._batch += 1
        return f"mix-1-20260302-{self._batch}"

    def write(self, batch: str, *bodies: Body) -> None:
        """Have these happen now, in one transaction."""
        at = self.clock.now()
        self.writer.append([Event("mix-1", at, batch, body) for body in bodies], at.mono_s)

    def wait_for(self, *numbers: int) -> None:
        """Wait until everybody who gets them has them; in vain, they are missing in the verdict."""
        wanted = [
            (receiver, number)
            for number in numbers
            for receiver in self.receivers
            if self.expected[number] in receiver.kinds
        ]
        try:
            wait_until(
                lambda: all(receiver.has(number) for receiver, number in wanted),
                f"{[self.expected[number] for number in numbers]}",
                PATIENCE_S,
            )
        except AssertionError as exc:
            sys.stderr.write(f"{exc}\n")

    def arrivals(self) -> int:
        """How many messages came so far."""
        return sum(len(each.arrivals) for each in self.receivers)

    def kill_at_random(self, most: int) -> None:
        """Kill publishing until enough, each time at a random moment, and start it again."""
        while not self.ended.is_set() and self.kills < most:
            before = self.arrivals()
            if self.rng.random() < 0.5:
                until_s = time.monotonic() + LONGEST_LIFE_S
                while self.arrivals() == before and time.monotonic() < until_s:
                    time.sleep(0.001)  # then it has been taken, and perhaps not been noted yet
                time.sleep(self.rng.uniform(0.0, 0.02))
            else:
                time.sleep(self.rng.uniform(SHORTEST_LIFE_S, LONGEST_LIFE_S))
            self.process.kill()
            time.sleep(0.05)  # what is in the servers' hands still counts for this life
            self.kills, self.life = self.kills + 1, self.life + 1
            self.process.start()


@contextmanager
def staged(folder: Path, seed: int) -> Iterator[Scene]:
    """Receivers that are up, and publishing on an empty journal."""
    since = datetime.now(UTC).replace(hour=2, minute=0, second=0, microsecond=0)
    station = f"rehearsal_speed = {SPEED:g}\nrehearsal_since = {since:%Y-%m-%dT%H:%M:%SZ}\n"
    (folder / "brinewright.toml").write_text(configuration(CONFIGURATION, station=station))
    words = ("daemon.publish", "--config", str(folder / "brinewright.toml"))
    receivers = (
        Receiver("mail by kinds", KINDS, quiet=True),
        Receiver("web, everything", KINDS | {"fault"}, quiet=False),
        Receiver("web, medium", OF_ALARMS | {"fault"}, quiet=True),
    )
    with Writer(folder / "journal.db") as writer:
        scene = Scene(
            folder,
            clock_of(SPEED, since),
            random.Random(seed),
            Process(words, folder / "publish.log"),
            writer,
            receivers,
        )

        def taker(receiver: Receiver, text_of: Callable[[Any], str]) -> Taken:
            def take(message: Any) -> None:  # noqa: ANN401 - a mail, or JSON
                found = NUMBER.finditer(text_of(message).replace("\r\n", "\n"))
                numbers = frozenset(int(each[1] or each[2]) for each in found)
                now = scene.clock.now().wall
                receiver.arrivals.append(Arrival(scene.life, now, numbers))

            return Taken(take)

        box = Mailbox(mails=taker(receivers[0], lambda mail: str(mail.get_content())))
        web, medium = (
            Hook(posts=taker(each, lambda post: str(post["message"]))) for each in receivers[1:]
        )
        servers: list[Hook | Mailbox] = [box, web, medium]
        write_urls(folder, f"{NEWS_WORDS} {box.url}", f"any-hour {web.url}", f"medium {medium.url}")
        for server in servers:
            server.up()
        scene.process.start()
        try:
            yield scene
        finally:
            scene.process.kill()
            for server in servers:
                server.down()
