"""The publishing process is killed at any instant, again and again, while measuring goes on."""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path

import pytest

from daemon.journal.writer import Writer
from tests.conftest import PATIENCE_S, Broker, wait_until
from tests.parts.numbered import reading
from tests.services.mqtt_parts import Listener, Publisher, listening, write_configuration

PACE_S = 0.01
LIVES = 6
LOCK_WAIT_S = 5.0
"""What a writer that meets a lock waits; how busy the machine is must not matter below that."""


def _write_for(writer: Writer, span_s: float) -> list[float]:
    """Append readings at an even pace for a while; return how long each took, s."""
    took_s: list[float] = []
    until_s = time.monotonic() + span_s
    while (begun_s := time.monotonic()) < until_s:
        writer.append([reading(writer.last_seq + 1)], begun_s)
        took_s.append(time.monotonic() - begun_s)
        time.sleep(PACE_S)  # the pace of the imitated probe
    return took_s


def _live_and_die(
    publisher: Publisher, writer: Writer, heard: Listener, span_s: float
) -> list[float]:
    """Let the publisher work for `span_s` once it publishes, then kill it; return append times."""
    publisher.start()
    before, took_s = len(heard.messages), []
    deadline_s = time.monotonic() + PATIENCE_S
    while len(heard.messages) == before:
        assert time.monotonic() < deadline_s, "nothing was published"
        took_s += _write_for(writer, 0.05)
    took_s += _write_for(writer, span_s)
    publisher.kill()
    return took_s + _write_for(writer, 0.1)


@pytest.mark.parametrize("seed", range(2))
def test_killing_the_publisher_neither_holds_up_measuring_nor_loses_an_entry(
    broker: Broker, tmp_path: Path, seed: int
) -> None:
    """Every append succeeds as quickly as ever, and the subscriber misses no number afterwards."""
    rng = random.Random(seed)
    config = write_configuration(tmp_path, broker.port)
    publisher = Publisher(config, tmp_path / "publish.log")
    took_s: list[float] = []
    with Writer(tmp_path / "journal.db") as writer, listening(broker) as heard:
        try:
            for _ in range(LIVES):
                took_s += _live_and_die(publisher, writer, heard, rng.uniform(0.0, 0.4))
            publisher.start()
            wait_until(
                lambda: set(heard.seqs()) >= set(range(1, writer.last_seq + 1)), "what was left"
            )
        finally:
            publisher.kill()
        last = writer.last_seq

    assert len(took_s) == last  # no append failed, or it would have raised
    assert list(range(1, last + 1)) == list(dict.fromkeys(heard.seqs()))
    assert max(took_s) < LOCK_WAIT_S
    assert [] == [line for line in publisher.log if "Traceback" in line or "ERROR" in line]


def test_a_stopped_publisher_does_not_hold_up_measuring(broker: Broker, tmp_path: Path) -> None:
    """A publisher frozen in the middle of whatever it did leaves the writer its pace."""
    publisher = Publisher(write_configuration(tmp_path, broker.port), tmp_path / "publish.log")
    rng = random.Random(7)
    with Writer(tmp_path / "journal.db") as writer, listening(broker) as heard:
        try:
            writer.append([reading(1)], 0.0)
            publisher.start()
            wait_until(lambda: heard.seqs() == [1], "the first reading")
            took_s: list[float] = []
            for _ in range(8):
                took_s += _write_for(writer, rng.uniform(0.02, 0.1))
                assert publisher.process is not None
                publisher.process.send_signal(signal.SIGSTOP)
                took_s += _write_for(writer, 0.2)
                publisher.process.send_signal(signal.SIGCONT)
            wait_until(
                lambda: set(heard.seqs()) == set(range(1, writer.last_seq + 1)), "all of them"
            )
        finally:
            publisher.kill()

    assert max(took_s) < LOCK_WAIT_S
    assert heard.seqs() == sorted(heard.seqs())
