"""Whatever dies and whoever is away, in whatever order: no alarm is lost, few are sent twice."""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import TypeAlias

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.notify.formatter import Formatter
from daemon.publishing.notify.policy import NotificationPolicy
from daemon.publishing.notify.publisher import NotifySink, QueueStart
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.sink import SinkError, cursor_key, follow
from tests.conftest import wait_until
from tests.parts.numbered import reading
from tests.services.mqtt_parts import STATION
from tests.services.notify_parts import RESERVOIRS, Clocks, alarm

Step: TypeAlias = str | int
"""An alarm, a kill at one of three points, a receiver away or back, or minutes that go by."""

STEPS = st.lists(
    st.one_of(
        st.sampled_from(["alarm", "alarm", "die", "die unread", "die sending", "away 0", "back 0"]),
        st.sampled_from(["away 1", "back 1"]),
        st.integers(1, 90),
    ),
    max_size=25,
)


@dataclass
class Friend:
    """A receiver in this process.

    Attributes:
        here: Whether it takes messages.
        texts: The texts that it took.
    """

    here: bool = True
    texts: list[str] = field(default_factory=list)

    def send(self, title: str, body: str, kind: str) -> None:
        """Take a message, unless away."""
        if not self.here:
            raise SinkError("away")
        self.texts.append(f"{title}\n{body}")

    def numbers(self) -> Counter[int]:
        """How often each alarm was told, repeats aside."""
        new = [text for text in self.texts if "is still active" not in text.splitlines()[0]]
        return Counter(
            int(number) for text in new for number in set(re.findall(r"umber (\d+)\b", text))
        )


class World:
    """A journal, two friends, and a publisher that lives and dies."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.clocks = folder, Clocks()
        self.friends = {
            Receiver(folder / "receivers", line, f"test://{line}"): Friend() for line in (1, 2)
        }
        self.journal = folder / "journal.db"
        with Writer(self.journal) as writer:
            writer.append([reading(1)], 0.0)
        self.reader = Reader(self.journal)
        self.cursors = Cursors(cursors_path(self.journal))
        self.raised, self.kills = 0, 0
        self.sink = self._born()

    def _born(self) -> NotifySink:
        policy = NotificationPolicy(at_most_per_h=4)
        return NotifySink(
            self.friends,
            policy,
            Formatter(STATION, policy.zone, policy.repeat_every),
            RESERVOIRS,
            self.reader,
            QueueStart(
                self.folder / "notices.db",
                lambda: self.cursors.of(cursor_key(self.reader, "notify")),
            ),
            self.clocks.wall,
            self.clocks.clock,
        )

    def do(self, step: Step) -> None:
        """Do one step, and let the publisher go on."""
        if isinstance(step, int):
            self.clocks.pass_by(timedelta(minutes=step))
        elif step == "alarm":
            self.raised += 1
            seconds = int((self.clocks.now - Clocks().now).total_seconds())
            one = alarm(seconds, f"a-{self.raised}", why=f"number {self.raised}")
            with Writer(self.journal) as writer:
                writer.append([one], 0.0)
        elif step.startswith("die"):
            self._die(step)
        else:
            word, number = step.split()
            list(self.friends.values())[int(number)].here = word == "back"
        self._settle()

    def _die(self, how: str) -> None:
        """Be killed: idle, after noting down and before the cursor moved, or while sending."""
        self.kills += 1
        if how == "die unread":
            key = cursor_key(self.reader, "notify")
            self.sink.deliver(self.reader.after(self.cursors.of(key)))
        elif how == "die sending":
            self.clocks.pass_by(timedelta(minutes=61))
            follow(self.reader, self.cursors, self.sink)
        if self.sink.busy:
            wait_until(self.sink.pressing, "an answer that nobody notes")
        if (file := vars(self.sink)["_file"]) is not None:
            file.close()  # as the kernel does; nothing is written by that
        self.sink = self._born()

    def _settle(self) -> None:
        while True:
            follow(self.reader, self.cursors, self.sink)
            if not self.sink.busy:
                return
            wait_until(self.sink.pressing, "an answer")

    def end(self) -> None:
        """Let everybody be back, and a day go by."""
        for friend in self.friends.values():
            friend.here = True
        for _ in range(8):
            self.do(61)
        self.sink.close()
        self.cursors.close()


@contextmanager
def world() -> Iterator[World]:
    """A world in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        yield World(Path(folder))


@settings(max_examples=15)
@given(steps=STEPS)
@example(steps=["alarm", "away 0", "away 1", "alarm", "die", 30, "back 0", "die"])
@example(steps=["alarm", "alarm", "die unread", "alarm", "die sending", "alarm"])
@example(steps=["away 1", "alarm", "die sending", "back 1", "alarm", "die sending"])
def test_no_alarm_is_untold_and_a_death_repeats_one_message_at_most(steps: list[Step]) -> None:
    """Each friend hears of every alarm, and of none oftener than there were deaths besides."""
    with world() as one:
        for step in steps:
            one.do(step)
        one.end()
        for friend in one.friends.values():
            told = friend.numbers()

            assert set(range(1, one.raised + 1)) == set(told)
            assert one.kills >= max(told.values(), default=1) - 1
