"""Whatever is appended comes back the same."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from daemon.entries import JSON, Entry, Event, Flag, Instant, Kind, Reading
from daemon.journal.reader import Reader
from daemon.journal.rows import EPOCH, to_ms
from daemon.journal.writer import Writer
from daemon.mixing.events import OtherEvent
from daemon.mixing.probe.quality import TESTS

# SQLite keeps text as UTF-8, which has no lone surrogates; no instrument's bytes decode to one.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
NUMBER = st.floats(allow_nan=False, allow_infinity=False)
JSON_VALUES: st.SearchStrategy[JSON] = st.recursive(
    st.none() | st.booleans() | st.integers() | NUMBER | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)


def _instant(wall_ms: int, mono_ms: int, boot: str, synced: bool) -> Instant:  # noqa: FBT001
    wall = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=wall_ms)
    return Instant(wall, mono_ms / 1000, boot, synced)


# Both clocks give milliseconds; a Pi without a battery may think it is 1970.
INSTANTS = st.builds(
    _instant, st.integers(0, 4_000_000_000_000), st.integers(0, 10**11), TEXT, st.booleans()
)
AGE = st.just(0.0) | st.floats(0.0, 1e6)
FLAGS = st.sampled_from(Flag)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Any reading, with a value or without one."""
    salinity = draw(st.none() | NUMBER)
    fitting = [Flag.FAIL, Flag.MISSING] if salinity is None else sorted(set(Flag) - {Flag.MISSING})
    return Reading(
        reservoir=draw(TEXT),
        probe=draw(TEXT),
        at=draw(INSTANTS),
        conductivity_mS_cm=draw(st.none() | NUMBER),
        temperature_C=draw(st.none() | NUMBER),
        salinity=salinity,
        salinity_u=draw(st.none() | NUMBER),
        flag=draw(st.sampled_from(fitting)),
        tests=draw(st.fixed_dictionaries(dict.fromkeys(TESTS, FLAGS))),
        figures=draw(st.dictionaries(st.sampled_from(TESTS), TEXT, max_size=3)),
        pump=draw(st.none() | st.booleans()),
        fault=draw(TEXT),
        spoken=draw(TEXT),
        conductivity_age_s=draw(AGE),
        temperature_age_s=draw(AGE),
        conductivity_age_u_mS_cm=draw(AGE),
        temperature_age_u_C=draw(AGE),
    )


EVENTS = st.builds(
    Event,
    reservoir=TEXT,
    at=INSTANTS,
    batch=TEXT,
    body=st.builds(
        OtherEvent,
        kind=st.sampled_from(Kind),
        facts=st.dictionaries(TEXT, JSON_VALUES, max_size=4),
    ),
)
ENTRIES: st.SearchStrategy[Entry] = readings() | EVENTS


@given(st.lists(st.lists(ENTRIES, max_size=4), max_size=4))
def test_every_entry_comes_back_as_it_was(groups: list[list[Entry]]) -> None:
    """Any entries, appended in any grouping, are read back equal, in order, each under one seq."""
    flat = [entry for group in groups for entry in group]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path) as writer:
            for number, group in enumerate(groups):
                writer.append(group, float(number))
            stored = Reader(path).after(0)
        reopened = Reader(path).after(0)

    assert flat == [each.entry for each in stored]
    assert len({each.seq for each in stored}) == len(flat)
    assert stored == reopened


PRINTED = st.builds(
    lambda steps, decimals: steps / 10**decimals, st.integers(-60_000, 60_000), st.integers(0, 6)
)
"""What an instrument prints, zero with a sign among it."""
VALUE = PRINTED | st.just(-0.0) | st.none() | NUMBER


@st.composite
def streams(draw: st.DrawFn) -> list[Reading]:
    """Readings of one probe in a row, as alike as only the journal's way of writing can tell."""
    reading = draw(readings())
    usual_flag = Flag.PASS if reading.salinity is not None else Flag.FAIL
    stream, wall, mono_s = [], reading.at.wall, reading.at.mono_s
    for _ in range(draw(st.integers(3, 12))):
        later_s = draw(st.sampled_from([0.0, 1.0, 1.0, 1.001, 4000.0, -7000.0]))
        wall, mono_s = wall + timedelta(seconds=later_s), mono_s + max(0.0, later_s)
        conductivity, temperature = draw(VALUE), draw(VALUE)
        usual = f"{conductivity},{temperature}"
        stream.append(
            replace(
                reading,
                at=replace(reading.at, wall=wall, mono_s=round(mono_s, 3)),
                conductivity_mS_cm=conductivity,
                temperature_C=temperature,
                salinity=None if reading.salinity is None else draw(NUMBER | PRINTED),
                salinity_u=draw(VALUE),
                flag=draw(st.sampled_from([usual_flag, usual_flag, reading.flag])),
                spoken=draw(st.sampled_from([usual, usual, "ERR", reading.spoken])),
                conductivity_age_s=0.0,
                temperature_age_s=0.0,
                conductivity_age_u_mS_cm=0.0,
                temperature_age_u_C=0.0,
            )
        )
    return stream


@given(streams())
def test_what_one_probe_says_in_a_row_comes_back_as_it_was(stream: list[Reading]) -> None:
    """Written in little room where it can be, its words and its clocks with it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path) as writer:
            for number, each in enumerate(stream):
                writer.append([each], float(number))
        stored = [each.entry for each in Reader(path).after(0)]

    assert stream == stored


@given(st.lists(ENTRIES, min_size=1, max_size=12), st.integers(1, 5))
def test_batches_of_any_size_cover_everything_once(entries: list[Entry], limit: int) -> None:
    """Going through the journal batch by batch meets every entry once, in order."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path) as writer:
            writer.append(entries, 0.0)
            met: list[Entry] = []
            seq = 0
            while batch := Reader(path).after(seq, limit):
                met += [stored.entry for stored in batch]
                seq = batch[-1].seq

    assert entries == met


@given(st.datetimes(timezones=st.just(UTC)))
@example(datetime(2026, 3, 2, 8, 0, 0, 500, UTC))
@example(datetime(2026, 3, 2, 8, 0, 0, 1500, UTC))
@example(datetime(1969, 12, 31, 23, 59, 59, 999_500, UTC))
def test_any_date_is_the_nearest_millisecond_since_1970(wall: datetime) -> None:
    """Of two that are as near the even one, also where a clock stands before 1970."""
    exact_ms = Fraction((wall - EPOCH) // timedelta(microseconds=1), 1000)

    assert round(exact_ms) == to_ms(wall)
