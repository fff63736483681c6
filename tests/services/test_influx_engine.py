"""The database sink against the real storage engine of InfluxDB 1.6, behind a shim of ours.

The engine shows that what is sent again overwrites itself, that a field keeps its type,
what it says of a point that it refuses and which of the others it has written by then,
and that what it acknowledged outlives a kill.  The shim translates the v2 write API to
the engine's own and checks the token; so tokens and the form of answers are shown here
only as far as the shim goes (see test_influx_answers.py).  This is not InfluxDB 2.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.entries import Flag, Instant, Kind
from daemon.journal.cursors import Refusal
from daemon.journal.reader import Stored
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.sink import SinkError
from tests.parts.numbered import START, reading
from tests.services.influx_parts import BUCKET, Engine, an_engine, fetch, section
from tests.services.mqtt_parts import STATION, event


@pytest.fixture(scope="module")
def one_engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """One engine for all, since it takes its time to start."""
    with an_engine(tmp_path_factory.mktemp("database")) as one:
        yield one


@pytest.fixture
def engine(one_engine: Engine) -> Engine:
    """The engine, emptied."""
    one_engine.query(f'DROP DATABASE "{BUCKET}"')
    one_engine.query(f'CREATE DATABASE "{BUCKET}"')
    return one_engine


@pytest.fixture
def sink(engine: Engine, tmp_path: Path) -> Iterator[InfluxSink]:
    """A sink that writes to it."""
    one = InfluxSink(section(engine.url, tmp_path), STATION)
    yield one
    one.close()


def _stored(*numbers: int) -> list[Stored]:
    return [Stored(number, reading(number)) for number in numbers]


def test_a_reading_is_kept_as_it_was(engine: Engine, sink: InfluxSink) -> None:
    """Values, tags, flag and number, at its millisecond, the number within it."""
    one = replace(
        reading(1), pump=False, fault='a "quoted" \\ fault', tests={"spike": Flag.SUSPECT}
    )
    sink.deliver([Stored(41, one)])
    fields = (
        "conductivity_mS_cm, temperature_C, salinity, salinity_u, flag, seq, pump, fault, tests"
    )
    ((at_ns, *values),) = engine.rows(f"{fields}, station, reservoir, probe")

    assert int(START.timestamp() * 1000 + 1000) * 1_000_000 + 41 == at_ns
    assert [51, 24.5, 33.9, 0.05, 1, 41, False, 'a "quoted" \\ fault', "spike:3"] == values[:9]
    assert [STATION, "mix-1", "ct-1"] == values[9:]


def test_an_event_is_kept_as_it_was(engine: Engine, sink: InfluxSink) -> None:
    """The batch, each number and text by name, and all of it as JSON."""
    sink.deliver([Stored(2, event(2, Kind.ALARM, name="probe-fault", since_s=4, more=[1, None]))])
    (row,) = engine.rows("batch, name_text, since_s, facts, kind", "event")

    assert ["lot-7", "probe-fault", 4] == row[1:4]
    assert ['{"name":"probe-fault","since_s":4,"more":[1,null]}', "alarm"] == row[4:]


@pytest.mark.parametrize(
    "name", ["a,b=c d", "end\\", 'q"uote', "ä\u2028\n\ttab", "\\,", "=", "é" * 99]
)
def test_hostile_names_are_tags_like_any_other(engine: Engine, sink: InfluxSink, name: str) -> None:
    """Nothing that a name holds spills into another tag or field, or makes another line."""
    one = replace(reading(1), reservoir=name, probe=name)
    assert sink.deliver([Stored(1, one), *_stored(2)]) is None
    rows = engine.rows("seq, flag, reservoir, probe, station")

    assert [[1, 1], [2, 1]] == [row[1:3] for row in rows]
    assert [STATION, STATION] == [row[5] for row in rows]
    assert rows[0][3] == rows[0][4] != "mix-1"


def test_what_is_sent_again_is_there_once(engine: Engine, sink: InfluxSink) -> None:
    """A batch that was taken without our knowing changes nothing when it comes again."""
    batch = [*_stored(1, 2, 3), Stored(4, event(4)), *_stored(5)]
    for part in (batch[:3], batch, batch[2:], batch):
        sink.deliver(part)

    assert [1, 2, 3, 5] == engine.seqs()
    assert [4] == engine.seqs("event")
    assert 4 == len(engine.rows("seq, flag, salinity, temperature_C"))


def test_two_entries_at_one_instant_are_two(engine: Engine, sink: InfluxSink) -> None:
    """A wall clock that shows the same millisecond again overwrites nothing."""
    at = reading(1).at
    same = [Stored(number, replace(reading(1), at=at)) for number in (1, 2, 3)]
    sink.deliver(same)
    sink.deliver([Stored(9, event(1)), Stored(10, event(1))])

    assert [1, 2, 3] == engine.seqs()
    assert [9, 10] == engine.seqs("event")


def test_whole_numbers_do_not_change_a_type(engine: Engine, sink: InfluxSink) -> None:
    """The first salinity is 34 sharp and the next is not; the same with an event's number."""
    first = replace(reading(1), salinity=34.0, conductivity_mS_cm=51.0)
    told = [Stored(3, event(3, volume_l=40)), Stored(4, event(4, volume_l=40.5))]

    assert sink.deliver([Stored(1, first), *_stored(2), *told]) is None
    assert [40, 40.5] == [row[1] for row in engine.rows("volume_l", "event")]


def test_one_fact_of_several_types_is_no_conflict(engine: Engine, sink: InfluxSink) -> None:
    """Text here, number there, truth elsewhere: each goes where its type belongs."""
    told = [event(number, value=value) for number, value in enumerate(["x", 3, 2.5, True, None])]

    assert sink.deliver([Stored(number, each) for number, each in enumerate(told)]) is None
    assert 5 == len(engine.seqs("event"))


def test_a_point_of_another_type_is_left_out_and_named(engine: Engine, sink: InfluxSink) -> None:
    """Another program has written text where one of our events has a number."""
    engine_line = b'event,kind=advice volume_l="forty" 1935651600000000000'
    _write_behind(engine, engine_line)
    refusal = sink.deliver([*_stored(1), Stored(2, event(2, volume_l=40)), *_stored(3, 4)])

    assert isinstance(refusal, Refusal)
    assert (2,) == refusal.seqs
    assert 'field type conflict: input field "volume_l" on measurement "event"' in refusal.why
    assert [1, 3, 4] == engine.seqs()


def test_a_bucket_in_which_our_fields_have_other_types_holds_up(
    engine: Engine, sink: InfluxSink
) -> None:
    """All readings would be lost; the keeper is told to give us a bucket of our own."""
    _write_behind(engine, b'reading,probe=ct-1 salinity="salty" 1935651600000000000')
    with pytest.raises(
        SinkError, match=r"refuses 3 of 3 entries: .*field type conflict.* of its own"
    ):
        sink.deliver(_stored(1, 2, 3))
    engine.query("DROP MEASUREMENT reading")

    assert sink.deliver(_stored(1, 2, 3)) is None
    assert [1, 2, 3] == engine.seqs()


def test_what_is_older_than_the_bucket_keeps_is_left_out(engine: Engine, sink: InfluxSink) -> None:
    """The engine says so of each point, and the younger ones are kept."""
    engine.query(f'ALTER RETENTION POLICY "autogen" ON "{BUCKET}" DURATION 30d SHARD DURATION 1d')
    old, young = datetime(2001, 1, 1, tzinfo=UTC), datetime.now(UTC) - timedelta(days=1)
    entries = [
        Stored(number, replace(reading(number), at=Instant(at + timedelta(seconds=number), 1.0)))
        for number, at in enumerate([old, old, old, young], 1)
    ]
    refusal = sink.deliver(entries)

    assert isinstance(refusal, Refusal)
    assert ((1, 2, 3), True) == (refusal.seqs, "retention policy" in refusal.why)
    assert [4] == engine.seqs()


def test_a_bucket_that_is_not_there_is_waited_for(engine: Engine, sink: InfluxSink) -> None:
    """A sentence that names it; once it is made, everything comes."""
    engine.query(f'DROP DATABASE "{BUCKET}"')
    with pytest.raises(SinkError, match="has no bucket 'mixing' in the organisation 'aquarium'"):
        sink.deliver(_stored(1, 2))
    engine.query(f'CREATE DATABASE "{BUCKET}"')

    assert sink.deliver(_stored(1, 2)) is None
    assert [1, 2] == engine.seqs()


def test_what_was_acknowledged_outlives_a_kill(tmp_path: Path) -> None:
    """Killed right after the acknowledgement, the engine has all of it; meanwhile it is said."""
    with an_engine(tmp_path) as engine:
        sink = InfluxSink(section(engine.url, tmp_path), STATION)
        sink.deliver(_stored(*range(1, 101)))
        engine.kill()
        with pytest.raises(SinkError, match=r"fails \(503\)"):
            sink.deliver(_stored(101))
        engine.start()

        assert sink.deliver(_stored(101)) is None
        sink.close()
        assert list(range(1, 102)) == engine.seqs()


def _write_behind(engine: Engine, line: bytes) -> None:
    """Write as another program would."""
    assert 204 == fetch(f"http://127.0.0.1:{engine.port}/write?db={BUCKET}", line)[0]
