"""The database is killed at any instant, again and again, while a station publishes to it.

The engine is the real one of InfluxDB 1.6 behind a shim of ours (see influx_parts.py): it
keeps what it acknowledged through a kill, and may have kept what it did not.
"""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from daemon.entries import Instant
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.writer import Writer
from tests.conftest import wait_until
from tests.services.influx_parts import Engine, an_engine, write_configuration
from tests.services.mqtt_parts import START, Publisher, event, reading


def live_and_die(
    engine: Engine, publisher: Publisher, writer: Writer, rng: random.Random, deaths: int
) -> None:
    """Write on while engine and publisher are killed in turn, `deaths` times, and come again.

    Leaves both running, and the journal longer by what was written meanwhile.
    """
    for death in range(deaths):
        until_s = time.monotonic() + rng.uniform(0.05, 0.5)
        while time.monotonic() < until_s:
            number = writer.last_seq + 1
            is_event = number % 10 == 0
            writer.append([event(number) if is_event else reading(number)], time.monotonic())
            time.sleep(0.002)  # the pace of the imitated probes
        if death % 3 == 2:
            publisher.kill()
            publisher.start()
        else:
            engine.kill()
            engine.start()


@pytest.mark.parametrize("seed", [1, 2])
def test_after_every_death_each_entry_is_there_once(tmp_path: Path, seed: int) -> None:
    """However often and whenever they died: every reading and event, none twice, none missing."""
    journal, rng = tmp_path / "journal.db", random.Random(seed)
    with an_engine(tmp_path) as engine, Writer(journal) as writer:
        publisher = Publisher(write_configuration(tmp_path, engine.url), tmp_path / "publish.log")
        try:
            publisher.start()
            live_and_die(engine, publisher, writer, rng, deaths=6)
            now = Instant(START, 1e6, "boot-1")
            wait_until(
                lambda: followers(journal, cursors_path(journal), ["influx"], now)[0].waiting == 0,
                "the last entry",
                60.0,
            )
        finally:
            publisher.kill()
        held = sorted(engine.seqs() + engine.seqs("event"))
        (follower,) = followers(journal, cursors_path(journal), ["influx"], now)

    assert list(range(1, writer.last_seq + 1)) == held
    assert 0 == follower.refused
    assert [] == [line for line in publisher.log if "Traceback" in line or "ERROR" in line]
