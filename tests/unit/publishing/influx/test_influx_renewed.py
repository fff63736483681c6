"""When a connection that was made again counts as a database that may have forgotten something."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.config import Influx
from daemon.publishing.influx.database import ConnectionMonitor
from daemon.publishing.influx.publisher import HABIT, InfluxSink
from tests.services.influx_parts import section
from tests.services.mqtt_parts import STATION


class Renewed:
    """A database whose line breaks before each question."""

    where = "the database"

    def write(self, lines: Sequence[str]) -> None:
        """Take them."""

    def ping(self) -> None:
        """It is there."""

    def renewed(self) -> bool:
        """It was away again."""
        return True

    def close(self) -> None:
        """Nothing to let go of."""


@pytest.fixture
def settings(tmp_path: Path) -> Influx:
    """A section with a token; nobody is asked."""
    return section("http://127.0.0.1:1", tmp_path, kept_after_s=10)


def test_a_server_that_closes_by_habit_does_not_have_everything_sent_for_ever(
    settings: Influx,
) -> None:
    """A few renewals within a minute each count; more are its habit, until they grow rare."""
    now_s = 0.0
    sink = InfluxSink(settings, STATION, clock=lambda: now_s, open_=lambda *_: Renewed())
    sink.deliver([])
    found = []
    for now_s in (*range(1, HABIT + 3), 200.0):  # noqa: B007 - the clock looks at it
        found += [sink.renewed()]

    assert [True] * (HABIT - 1) + [False] * 3 + [True] == found


def test_without_a_connection_nothing_was_renewed(settings: Influx) -> None:
    """A failure lets go of it, and is told by itself."""
    assert not InfluxSink(settings, STATION, open_=lambda *_: Renewed()).renewed()


@pytest.mark.parametrize("kept_after_s, every_s", [(0, 1.0), (10, 5.0), (15, 7.5), (600, 10.0)])
def test_it_asks_often_enough_to_notice(tmp_path: Path, kept_after_s: int, every_s: float) -> None:
    """Twice within the time after which what was acknowledged counts as written down."""
    asked, now_s = [0.0], 0.0

    class Asked(Renewed):
        def ping(self) -> None:
            asked.append(now_s)

    settings = section("http://127.0.0.1:1", tmp_path, kept_after_s=kept_after_s)
    sink = InfluxSink(settings, STATION, clock=lambda: now_s, open_=lambda *_: Asked())
    for step in range(200):
        now_s = step / 4
        sink.deliver([])

    assert every_s == max(later - before for before, later in pairwise(asked))


def test_a_line_is_new_only_where_it_used_to_stay_open() -> None:
    """Of a server that closes after each answer nobody can tell whether it was away."""

    class Plain:
        def connect(self) -> None:
            """Connect."""

    line = ConnectionMonitor()
    connection = line.counted(Plain)()  # type: ignore[arg-type, call-arg]
    for _ in range(3):
        connection.connect()
        line.answered()
    assert not line.renewed()

    line.answered()
    assert not line.renewed()

    connection.connect()
    line.answered()
    assert line.renewed()
    assert not line.renewed()
