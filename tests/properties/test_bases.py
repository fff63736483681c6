"""Whatever a reading holds, a journal gives it back to the last bit, kept in either form."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Flag, Instant, Reading
from daemon.journal import rows
from daemon.journal.bases import steps_for, words_of
from daemon.journal.reading_table import FULL, ReadingTable
from daemon.journal.schema import migrate
from daemon.mixing.probe.quality import CALIBRATING, TESTS

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
ORIGIN = ("mix-1", "ct-1", "boot-1", "")
FLAGS = st.sampled_from([Flag.PASS, Flag.SUSPECT, Flag.NOT_EVALUATED])
ANYTHING = st.none() | st.floats() | st.integers(-(2**40), 2**40)
NEAR = st.floats(33.0, 35.0)
LINES = ("{c},{t}", "{t} C {c} mS/cm", "+{c}+{t}", "{c}", "EC={c:0>9} T={t}", "{c},{t},7", "{t}{c}")


@st.composite
def printed(draw: st.DrawFn) -> tuple[float | None, float | None, str]:
    """Conductivity and temperature as an instrument prints them, and the line that it prints."""
    decimals, factor = draw(st.integers(0, 4)), draw(st.sampled_from([1.0, 1000.0, 10.0]))
    conductivity = f"{draw(st.integers(-99, 60_000)) / 10.0**decimals:.{decimals}f}"
    temperature = f"{draw(st.integers(-99, 4000)) / 100.0:.2f}"
    line = draw(st.sampled_from(LINES)).format(c=conductivity, t=temperature)
    return float(conductivity) / factor, float(temperature), line


WATER = printed() | st.tuples(ANYTHING, ANYTHING, st.text(max_size=20))


SELDOM = st.sampled_from([False] * 9 + [True])
KINDS = st.tuples(
    FLAGS, st.none() | st.booleans(), st.booleans(), st.sampled_from(["", "no reply"])
)


@st.composite
def readings(draw: st.DrawFn) -> list[Reading]:
    """Some that may share a base, and some that may not."""
    found: list[Reading] = []
    mono_ms, apart_ms = draw(st.integers(0, 2**40)), 0
    kinds = draw(st.lists(KINDS, min_size=1, max_size=2))
    for _ in range(draw(st.integers(1, 8))):
        mono_ms += draw(st.integers(0, 2**25) if draw(SELDOM) else st.integers(990, 1010))
        apart_ms += draw(st.integers(-3_600_000, 3_600_000)) if draw(SELDOM) else 0
        flag, pump, synced, fault = draw(st.sampled_from(kinds))
        conductivity, temperature, spoken = draw(WATER)
        salinity, salinity_u = draw(NEAR | ANYTHING), draw(st.floats(0.19, 0.21) | ANYTHING)
        tests = dict.fromkeys(TESTS, flag)
        if draw(SELDOM):
            tests[CALIBRATING] = Flag.SUSPECT
        wall = START + timedelta(milliseconds=mono_ms % 2**36 + apart_ms)
        found.append(
            Reading(
                *ORIGIN[:2],
                Instant(wall, mono_ms / 1000, ORIGIN[2], synced),
                conductivity,
                temperature,
                salinity,
                salinity_u,
                Flag.FAIL if salinity is None else flag,
                tests,
                pump,
                fault,
                spoken,
                conductivity_age_s=0.75 if draw(SELDOM) else 0.0,
                figures={"spike": "3 ppt"} if draw(SELDOM) else {},
            )
        )
    return found


@pytest.fixture(scope="module")
def journal() -> Iterator[sqlite3.Connection]:
    """The tables of a journal."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        migrate(db)
        yield db


def written(
    db: sqlite3.Connection, some: Sequence[Reading], *, compact: bool
) -> list[tuple[object, ...]]:
    """Return rows of readings as a journal gives them, having kept them in its form or in full."""
    table, seq = ReadingTable(), 0
    db.execute("BEGIN")
    for gap, each in enumerate(some, start=1):
        seq += 1 if gap % 5 else 3000
        steps = [(FULL, rows.reading_row(seq, 1, ORIGIN, each))]
        for step in table.steps(seq, 1, ORIGIN, each) if compact else steps:
            db.execute(*step)
    chosen = rows.READING_SELECTED
    found = db.execute(f"SELECT {chosen} FROM readings ORDER BY seq").fetchall()  # noqa: S608
    db.execute("ROLLBACK")
    return found


@given(readings())
def test_a_reading_is_given_back_as_if_it_were_kept_in_full(
    journal: sqlite3.Connection, some: list[Reading]
) -> None:
    """Every column of every row, with its type, but for the shorter check; and each is proven."""
    short = written(journal, some, compact=True)
    full = written(journal, some, compact=False)

    for was, now in zip(full, short, strict=True):
        assert repr((*was[:14], *was[15:])) == repr((*now[:14], *now[15:]))
        assert rows.sound_reading(now, ORIGIN)
        assert repr(rows.to_reading(was, ORIGIN)) == repr(rows.to_reading(now, ORIGIN))


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_steps_give_a_value_back_or_leave_it_as_it_is(first: float, value: float) -> None:
    """A count is an integer, whatever scale it is counted on, and anything else the value."""
    scale = steps_for(first)
    count = scale.count(value)

    assert count == value if isinstance(count, float) else count is not None
    assert not isinstance(count, int) or (scale.zero + count) / scale.per == value


@given(printed())
def test_the_words_of_an_instrument_are_written_again_from_its_values(
    example: tuple[float, float, str],
) -> None:
    """Or it has none; the values of another reading never make words that it did not say."""
    conductivity, temperature, line = example
    words = words_of(line, conductivity, temperature)

    assert words.text == "" or line == words.say(conductivity, temperature)
    assert "7" not in words.text
