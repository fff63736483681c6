"""How many messages are on their way at the same time."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path

from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.notify.formatter import Formatter
from daemon.publishing.notify.policy import NotificationPolicy
from daemon.publishing.notify.publisher import MOST_AT_ONCE, NotifySink, QueueStart
from daemon.publishing.notify.receivers import Receiver
from tests.conftest import wait_until
from tests.services.mqtt_parts import STATION
from tests.services.notify_parts import RESERVOIRS, Clocks, alarm


@dataclass
class Slow:
    """A receiver that takes each message and answers when it may."""

    may_answer: threading.Event
    begun: list[str] = field(default_factory=list)

    def send(self, title: str, body: str, kind: str) -> None:
        """Take a text."""
        del body, kind
        self.begun.append(title)
        self.may_answer.wait()


def test_few_are_sent_at_once_and_all_in_the_end(tmp_path: Path) -> None:
    """Each is a process with 22 MB; who waits for a place is next, and loses nothing."""
    may_answer, policy, clocks = threading.Event(), NotificationPolicy(), Clocks()
    slow = {
        Receiver(tmp_path / "receivers", line, f"test://{line}"): Slow(may_answer)
        for line in range(MOST_AT_ONCE + 3)
    }
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([alarm(1)], 0.0)
    reader = Reader(tmp_path / "journal.db")
    sink = NotifySink(
        slow,
        policy,
        Formatter(STATION, policy.zone, policy.repeat_every),
        RESERVOIRS,
        reader,
        QueueStart(tmp_path / "notices.db", lambda: 0),
        clocks.wall,
        clocks.clock,
    )

    def begun() -> int:
        return sum(len(each.begun) for each in slow.values())

    sink.deliver(reader.after(0))
    wait_until(lambda: begun() == MOST_AT_ONCE, "the first of them to begin")
    sink.deliver([])

    assert begun() == MOST_AT_ONCE
    may_answer.set()
    while sink.busy:
        wait_until(sink.pressing, "an answer")
        sink.deliver([])
    assert [1] * len(slow) == [len(each.begun) for each in slow.values()]
    sink.close()
