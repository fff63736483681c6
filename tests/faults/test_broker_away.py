"""A broker that is away for a day costs publishing no memory, no file and no thread."""

from __future__ import annotations

import gc
import logging
import os
import threading
from pathlib import Path
from random import Random

from daemon.config import Mqtt
from daemon.journal.cursors import Cursors
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.logs import Outage
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import Backoff
from daemon.publishing.tail import Changes, Tail
from tests.conftest import LOOPBACK
from tests.parts.numbered import reading
from tests.services.mqtt_parts import STATION

TRIES = 200
"""A day sees some 1,900, one in 45 s; a leak shows in fewer."""
BACKLOG = 20_000
GROWTH_MIB = 1.0


def test_tries_in_vain_leaves_memory_files_and_threads_as_they_were(
    tmp_path: Path, free_port: int
) -> None:
    """The journal is the queue: what waits is read a batch at a time and let go of again."""
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(number) for number in range(BACKLOG)], 0.0)
    section, reader = Mqtt(host=LOOPBACK, port=free_port), Reader(tmp_path / "journal.db")
    with Cursors(tmp_path / "journal-cursors.db") as cursors:
        tail = Tail(
            reader,
            Changes(tmp_path / "journal.db"),
            cursors,
            MqttSink(section, STATION, reader),
            Backoff(Random(1), first_s=0.0, longest_s=0.0),
            Outage(logging.getLogger("brinewright.publish"), "publishing to mqtt"),
        )
        stop = threading.Event()
        for _ in range(100):
            tail.step(stop)
        before = _resources()
        for _ in range(TRIES):
            tail.step(stop)
        after = _resources()

    assert after[1:] == before[1:]
    assert after[0] - before[0] < GROWTH_MIB


def _resources() -> tuple[float, int, int]:
    """Resident memory, MiB, open files and threads of this process."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    files = sum(1 for _ in Path("/proc/self/fd").iterdir())
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20, files, threading.active_count()
