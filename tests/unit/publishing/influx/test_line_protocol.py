"""What a database is given of an entry: one line each, of fixed types, at a time of its own."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Event, Flag, Instant, Kind, Reading
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Stored
from daemon.mixing.events import ForecastMade, OtherEvent
from daemon.publishing.influx.line_protocol import LATEST_NS, WITHIN_MS, UnfitError, line, time_ns
from tests.parts.numbered import START, reading
from tests.services.mqtt_parts import STATION, event

# As the line protocol has it: what is escaped is passed over, texts of fields stand in quotes.
PLAIN = r"(?:\\.|[^,= \\\n])+"
FIELD = rf"{PLAIN}=(?:-?[0-9.e+-]+i?|true|false|\"(?:\\.|[^\"\\\n])*\")"
LINE = re.compile(rf"(reading|event)((?:,{PLAIN}={PLAIN})*) ({FIELD}(?:,{FIELD})*) (-?[0-9]+)")
NUMBERS = st.none() | st.floats(allow_nan=True, allow_infinity=True)
FACTS = st.dictionaries(
    st.text(max_size=8),
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20)
    | st.lists(st.text(max_size=4), max_size=2),
    max_size=6,
)


def _fields(text: str) -> dict[str, str]:
    found = LINE.fullmatch(text)
    assert found, text
    return dict(each.split("=", 1) for each in re.findall(FIELD, found[3]))


def test_a_reading_is_one_line() -> None:
    """Tags for what stays, fields for what is measured, the number in the nanoseconds."""
    one = replace(
        reading(1),
        tests={"range": Flag.PASS, "spike": Flag.SUSPECT},
        pump=True,
        salinity=34.0,
        calibration="ct-1-20310501",
    )

    assert (
        "reading,probe=ct-1,reservoir=mix-1,station=quarantine-wing"
        ' calibration="ct-1-20310501",conductivity_mS_cm=51,flag=1i,pump=true,salinity=34'
        ',salinity_u=0.05,seq=7i,temperature_C=24.5,tests="spike:3" 1935651601000000007'
    ) == line(STATION, Stored(7, one))


def test_an_event_is_one_line() -> None:
    """Numbers under their names, texts beside them, everything in `facts`, the batch a field."""
    one = event(2, Kind.ALARM, name="probe-fault", since_s=4, shown=True, more=["a"])

    assert (
        "event,kind=alarm,reservoir=mix-1,station=quarantine-wing"
        ' batch="lot-7",facts="{\\"name\\":\\"probe-fault\\",\\"since_s\\":4,\\"shown\\":true'
        ',\\"more\\":[\\"a\\"]}",name_text="probe-fault",seq=8i,since_s=4 1935651602000000008'
    ) == line(STATION, Stored(8, one))


def test_a_forecast_has_its_salinity_as_a_number_and_its_moments_as_texts() -> None:
    """Under the same names as in every event; where there is none, the reason alone."""
    at = Instant(START, 0.0)
    when = "2031-05-04T09:20:00.000Z"
    made = ForecastMade(when, when, when, 33.9, 0.1, 33.8, 34.1)
    reason = ForecastMade(None, None, None, None, None, forecast_note="no forecast yet")

    events = (Event("mix-1", at, "b-1", each) for each in (made, reason))
    fields, words = (_fields(line(STATION, Stored(9, each))) for each in events)

    assert f'"{when}"' == fields["expected_ready_at_text"]
    assert ("33.9", "33.8", "34.1") == tuple(
        fields[name] for name in ("final_salinity", "final_low", "final_high")
    )
    assert {"batch", "facts", "forecast_note_text", "seq"} == words.keys()


def test_what_is_missing_is_left_out() -> None:
    """No value is no field, no reservoir no tag; number and flag are always there."""
    missing = replace(
        reading(1),
        conductivity_mS_cm=None,
        temperature_C=None,
        salinity=None,
        salinity_u=None,
        flag=Flag.MISSING,
        fault="no reply",
        at=replace(reading(1).at, synced=False),
        tests={},
    )

    assert {"flag": "9i", "seq": "1i", "fault": '"no reply"', "synced": "false"} == _fields(
        line(STATION, Stored(1, missing))
    )
    assert "reservoir" not in line(STATION, Stored(1, event(1, Kind.DEVICE, "")))


@given(NUMBERS, NUMBERS, st.text(max_size=30), st.text(max_size=30), st.integers(1, 2**40))
def test_no_reading_makes_a_line_that_is_not_one(
    salinity: float | None, other: float | None, name: str, fault: str, seq: int
) -> None:
    """Whatever it holds: one line, floating-point fields, no number that is none, no empty tag."""
    one = Reading(
        reservoir=name,
        probe=fault,
        at=reading(1).at,
        conductivity_mS_cm=other,
        temperature_C=other,
        salinity=salinity,
        salinity_u=salinity,
        flag=Flag.FAIL,
        tests={},
        fault=fault,
    )
    fields = _fields(line(name, Stored(seq, one)))

    assert f"{seq}i" == fields["seq"]
    for key, value in (("salinity", salinity), ("conductivity_mS_cm", other)):
        assert (value is not None and math.isfinite(value)) == (key in fields)
        assert not fields.get(key, "").endswith("i")
        assert key not in fields or float(fields[key]) == value


@given(FACTS, st.text(max_size=30))
def test_no_event_makes_a_line_that_is_not_one(facts: dict[str, JSON], batch: str) -> None:
    """Whatever its facts are called and hold: one line, and each type has names of its own."""
    fields = _fields(
        line(STATION, Stored(3, Event("mix-1", reading(1).at, batch, body_of(Kind.BATCH, facts))))
    )

    assert "3i" == fields["seq"]
    for name, value in fields.items():
        is_text = name in ("batch", "facts") or name.endswith("_text")
        assert is_text == value.startswith('"')


@given(
    st.integers(-(10**9), 10**9), st.integers(1, 2**40), st.integers(-2, 2), st.integers(1, 900_000)
)
def test_no_two_entries_of_a_series_share_a_time(
    seconds: int, seq: int, later_ms: int, later: int
) -> None:
    """Also where the wall clock shows the same millisecond again; the same entry always shares."""
    wall = START + timedelta(seconds=seconds)
    again = wall + timedelta(milliseconds=later_ms)

    assert time_ns(wall, seq) == time_ns(wall, seq)
    assert time_ns(wall, seq) != time_ns(again, seq + later)
    assert later_ms == time_ns(again, seq) // 1_000_000 - time_ns(wall, seq) // 1_000_000


def test_boots_that_skip_numbers_and_begin_at_the_same_time_do_not_meet() -> None:
    """A machine without a battery clock may begin at the same instant a thousand times."""
    skipped = 100_000
    found = {time_ns(START, 5 + boot * (skipped + 1)) for boot in range(1000)}

    assert 1000 == len(found)
    assert all(WITHIN_MS % each for each in range(2, 1000))  # a prime: no step divides it


def test_long_texts_are_cut() -> None:
    """A database takes 64 KiB a text; we stay well below, and mark the cut."""
    one = line(STATION, Stored(1, event(1, why="x" * 100_000)))
    fields = _fields(one)

    assert len(one) < 40_000
    assert fields["why_text"].endswith('x…"')
    assert fields["facts"].endswith('x…"')


@pytest.mark.parametrize("year", [1600, 2263, 9000])
def test_a_time_that_no_database_holds_is_said(year: int) -> None:
    """A clock that is centuries off makes an entry unfit; it does not become another time."""
    at = Instant(datetime(year, 1, 1, tzinfo=UTC), 1.0, "boot-1")
    with pytest.raises(UnfitError, match=f"its time, {year}-01-01"):
        line(STATION, Stored(1, replace(reading(1), at=at)))


def test_the_last_time_that_fits_fits() -> None:
    """The bound is that of 64 bits."""
    wall = datetime(2262, 4, 11, 23, 47, 16, tzinfo=UTC)

    assert time_ns(wall, 1) <= LATEST_NS


def test_of_many_facts_fifty_are_fields_and_all_stand_together() -> None:
    """An event of sixty numbers: the first fifty by name, the other ten in `facts` alone."""
    said = {f"n{number:02}": float(number) for number in range(60)}
    many = replace(event(1), body=OtherEvent(Kind.DEVICE, {**said}))
    fields = _fields(line(STATION, Stored(7, many)))

    assert [f"n{number:02}" for number in range(50)] == sorted(n for n in fields if n[0] == "n")
    assert 60 == len(re.findall(r"n[0-9][0-9]", fields["facts"]))
