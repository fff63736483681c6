"""The database sink against a real victoria-metrics, which takes v2 writes by itself.

It shows the write path without anything of ours between: the real client, a real HTTP
connection that stays open, compression, lines that a second parser reads, backfill, and
a server that goes away and comes back.  It checks no token, keeps numbers only and to the
millisecond, and may lose what it took just before a kill; for those see the other two.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Instant, Reading
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.reader import Stored
from daemon.journal.writer import Writer
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.sink import SinkError
from tests.conftest import wait_until
from tests.parts.numbered import reading
from tests.services.influx_parts import Metrics, metrics, section, write_configuration
from tests.services.mqtt_parts import STATION, Publisher

PAST = datetime(2024, 5, 4, 9, 0, tzinfo=UTC)
"""It drops what lies in its future."""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Metrics]:
    """A server that runs."""
    with metrics(tmp_path) as one:
        yield one


def _past(number: int) -> Reading:
    return replace(
        reading(number), at=Instant(PAST + timedelta(seconds=number), float(number), "boot-1")
    )


def _stored(*numbers: int) -> list[Stored]:
    return [Stored(number, _past(number)) for number in numbers]


def test_readings_arrive_with_their_labels_and_times(server: Metrics, tmp_path: Path) -> None:
    """Each field is a series of its own, labelled by station, reservoir and probe."""
    sink = InfluxSink(section(server.url, tmp_path), STATION)
    sink.deliver(_stored(1, 2, 3))
    sink.deliver(_stored(2, 3, 4))
    sink.close()
    (found,) = server.series("reading_salinity")
    labels: dict[str, Any] = found["metric"]

    assert (STATION, "mix-1", "ct-1") == (labels["station"], labels["reservoir"], labels["probe"])
    assert [33.9] * 4 == found["values"]
    assert [int(PAST.timestamp() + second) * 1000 for second in (1, 2, 3, 4)] == found["timestamps"]
    assert [1, 2, 3, 4] == server.seqs()


def test_a_server_that_goes_away_is_noticed_and_found_again(
    server: Metrics, tmp_path: Path
) -> None:
    """The open connection is dead: one trouble, and the next try makes a new one."""
    sink = InfluxSink(section(server.url, tmp_path), STATION)
    sink.deliver(_stored(1))
    server.stop()
    with pytest.raises(SinkError, match=r"broke off|nobody listens there"):
        sink.deliver(_stored(2))
    with pytest.raises(SinkError, match="nobody listens there"):
        sink.deliver([])
    server.start()
    sink.deliver(_stored(2))
    sink.close()

    assert [1, 2] == server.seqs()


def test_the_publishing_process_backfills_and_goes_on_after_a_kill(
    server: Metrics, tmp_path: Path
) -> None:
    """A journal written while nobody published, then live, then killed, and on: each once."""
    publisher = Publisher(write_configuration(tmp_path, server.url), tmp_path / "publish.log")
    journal = tmp_path / "journal.db"
    with Writer(journal) as writer:
        writer.append([_past(number) for number in range(1, 3001)], 0.0)
        try:
            publisher.start()
            wait_until(lambda: len(server.seqs()) >= 1000, "a part of the backlog")
            publisher.kill()
            writer.append([_past(number) for number in range(3001, 3101)], 1.0)
            publisher.start()
            wait_until(lambda: len(server.seqs()) == 3100, "all of it")
            now = Instant(PAST, 9999.0, "boot-1")
            wait_until(
                lambda: followers(journal, cursors_path(journal), ["influx"], now)[0].waiting == 0,
                "the cursor at the end",
            )
            assert 0 == publisher.stop()
        finally:
            publisher.kill()

    assert list(range(1, 3101)) == server.seqs()
    assert any("publishing to the database at http://127.0.0.1:" in line for line in publisher.log)
    assert [] == [line for line in publisher.log if "Traceback" in line or "ERROR" in line]
    assert [] == [line for line in publisher.log if "sekret" in line]


def test_what_a_killed_server_forgot_comes_again(server: Metrics, tmp_path: Path) -> None:
    """It acknowledges some seconds before it writes down; killed in between, it lacks nothing."""
    publisher = Publisher(write_configuration(tmp_path, server.url), tmp_path / "publish.log")
    with Writer(tmp_path / "journal.db") as writer:
        try:
            publisher.start()
            for round_ in range(3):
                last = 100 * (round_ + 1)
                writer.append([_past(number) for number in range(last - 99, last + 1)], 0.0)
                wait_until(lambda last=last: last in server.seqs(), "what is new")  # type: ignore[misc]
                server.kill()
                server.start()
            wait_until(lambda: len(server.seqs()) == 300, "all of it")
        finally:
            publisher.kill()

    assert list(range(1, 301)) == server.seqs()


def test_only_a_station_with_a_database_loads_the_client() -> None:
    """Neither publishing to a broker nor making the sink costs the client's memory."""
    code = (
        "import sys, daemon.publish, daemon.publishing.mqtt.publisher;"
        "import daemon.publishing.influx.publisher;"
        "print(*sys.modules)"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=True, text=True, env=os.environ
    ).stdout.split()

    assert "influxdb_client" not in found
