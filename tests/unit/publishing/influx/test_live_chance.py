"""The chance that mixing is over, as lines for a database: of the present, and each moment once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.entries import JSON
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.publishing.influx.database import RefusedError
from daemon.publishing.influx.live_chance import EVERY_S, LiveChance
from daemon.publishing.influx.publisher import InfluxSink
from tests.parts.snapshots import a_snapshot
from tests.services.influx_parts import section
from tests.services.mqtt_parts import STATION

NOON = "2026-03-02T12:00:00.000Z"


def dissolving(**members: JSON) -> ReservoirSnapshot:
    """A snapshot of a reservoir in which salt dissolves."""
    reasons: list[JSON] = ["still rising 0.08 ppt an hour", "only 6 min since salt came"]
    facts: dict[str, JSON] = {
        "phase": "dissolving", "chance_over": 0.62, "held_back_by": reasons, "time": NOON,
    }  # fmt: skip
    return a_snapshot(**{**facts, **members})


class Present:
    """A journal with one reservoir."""

    def __init__(self, snapshot: ReservoirSnapshot) -> None:
        """It stands so."""
        self.snapshot = snapshot

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """The one."""
        return {"mix-1": self.snapshot}


class Database:
    """Takes lines, or refuses them."""

    where = "the database"

    def __init__(self, refuses: str = "") -> None:
        """Nothing has come yet."""
        self.lines: list[str] = []
        self.refuses = refuses

    def write(self, lines: Sequence[str]) -> None:
        """Take them."""
        if self.refuses:
            raise RefusedError(self.refuses, lasting=False)
        self.lines += lines

    def ping(self) -> None:
        """It is there."""

    def renewed(self) -> bool:
        """It never was away."""
        return False

    def close(self) -> None:
        """Nothing to let go of."""


def test_a_chance_is_a_line_with_what_holds_it_back() -> None:
    """At the time of its snapshot, with station and reservoir as tags."""
    (line,) = LiveChance(STATION, Present(dissolving())).due(0.0)

    assert line == (
        f"state,reservoir=mix-1,station={STATION} chance_over=0.62,"
        'held_back_by="still rising 0.08 ppt an hour; only 6 min since salt came"'
        " 1772452800000000000"
    )


def test_an_unknown_chance_has_no_number() -> None:
    """Unknown is never nothing."""
    snapshot = dissolving(chance_over=None, held_back_by=["the pump is off"])
    (line,) = LiveChance(STATION, Present(snapshot)).due(0.0)

    assert "chance_over" not in line
    assert 'held_back_by="the pump is off"' in line


def test_it_is_written_once_each_half_minute_and_each_moment_once() -> None:
    """An old snapshot that does not change any more is not written again."""
    present = Present(dissolving())
    live = LiveChance(STATION, present)

    assert 1 == len(live.due(0.0))
    present.snapshot = dissolving(time="2026-03-02T12:00:29.000Z")
    assert [] == live.due(EVERY_S - 1.0)
    assert 1 == len(live.due(EVERY_S))
    assert [] == live.due(3.0 * EVERY_S)


@pytest.mark.parametrize(
    "members", [{"chance_over": None, "held_back_by": []}, {"time": "noon"}, {"time": "9999-01-01"}]
)
def test_where_there_is_nothing_to_say_nothing_is_written(members: dict[str, JSON]) -> None:
    """Nothing is decided, or the disk has changed the time."""
    assert [] == LiveChance(STATION, Present(dissolving(**members))).due(0.0)


def test_the_sink_writes_it_between_its_entries(tmp_path: Path) -> None:
    """Also while no entry comes."""
    database = Database()
    settings = section("http://127.0.0.1:1", tmp_path)
    live = LiveChance(STATION, Present(dissolving()))
    sink = InfluxSink(settings, STATION, open_=lambda *_: database, live=live)

    assert sink.deliver([]) is None
    assert sink.deliver([]) is None

    assert ["state"] == [line.partition(",")[0] for line in database.lines]


def test_a_state_that_is_refused_holds_nothing_up(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A field of another type, say; entries go on, and the log says why."""
    database = Database(refuses="field type conflict")
    settings = section("http://127.0.0.1:1", tmp_path)
    live = LiveChance(STATION, Present(dissolving()))
    sink = InfluxSink(settings, STATION, open_=lambda *_: database, live=live)

    assert sink.deliver([]) is None
    assert "refuses the present state: field type conflict" in caplog.text
