"""What is selected by time is what looking at every entry selects, in any journal."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.entries import JSON, Entry, Event, Flag, Instant, Kind, Reading
from daemon.journal import blocks, rows, selection
from daemon.journal import writer as writer_module
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader, Stored
from daemon.journal.reading_table import FULL
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.schema import MIGRATIONS
from daemon.journal.selection import BATCH_KINDS, Selection
from daemon.journal.summaries import Summary
from daemon.journal.writer import EVENT, Writer
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.mixing.probe.quality import TESTS

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
LATEST_MS = 4_000_000_000_000
OLD_VERSION = 3
OLD_READING = FULL.replace("full_readings", "readings")
RESERVOIRS = ("mix-1", "mix-2")
FACTS: dict[Kind, dict[str, JSON]] = {
    Kind.PHASE: {"from": "blank", "to": "ready"},
    Kind.BATCH: {"what": "ended", "how": "used"},
    Kind.STABILISED: {"salinity": 33.9, "salinity_u": 0.1},
}
DAMAGES = (
    "UPDATE full_readings SET time_ms = {time} WHERE seq = {seq}",
    "UPDATE full_readings SET salinity = 3.39, proof = coalesce(proof, 7) WHERE seq = {seq}",
    "UPDATE full_readings SET origin = 3 - origin WHERE seq = {seq}",
    "UPDATE compact_readings SET late_ms = {time} WHERE seq = {seq}",
    "UPDATE compact_readings SET salinity = 3.39 WHERE seq = {seq}",
    "UPDATE compact_readings SET back = back + 1 WHERE seq = {seq}",
    "UPDATE bases SET time_ms = {time} WHERE seq <= {seq}",
    "UPDATE bases SET origin = 3 - origin WHERE seq <= {seq}",
    "DELETE FROM bases WHERE seq <= {seq}",
    "UPDATE events SET time_ms = {time} WHERE seq = {seq}",
    "UPDATE events SET batch = 'b-1' WHERE seq = {seq}",
    "UPDATE events SET kind = 'phase' WHERE seq = {seq}",
    "UPDATE summaries SET minute = minute + 1 WHERE first_seq <= {seq}",
    "UPDATE blocks SET latest_ms = earliest_ms WHERE last_seq >= {seq}",
    "UPDATE blocks SET first_seq = first_seq + 1 WHERE last_seq >= {seq}",
    "UPDATE blocks SET earliest_ms = {time} WHERE last_seq >= {seq}",
    "UPDATE blocks SET proof = proof + 1 WHERE last_seq >= {seq}",
    "DELETE FROM blocks WHERE last_seq <= {seq}",
    "DELETE FROM blocks WHERE first_seq <= {seq} AND last_seq >= {seq}",
)


@dataclass(frozen=True)
class Run:
    """Entries that follow one another on one wall clock.

    Attributes:
        boot: Of the machine.
        jump_ms: How the clock is set before, ms; where it may not go it stays at the end.
        step_ms: Between two entries.
        kinds: One for each: None for a reading.
        places: A reservoir and a batch for each.
    """

    boot: str
    jump_ms: int
    step_ms: int
    kinds: tuple[Kind | None, ...]
    places: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Spoil:
    """A change that the disk makes, or a restart; `at` is the place among the numbers."""

    how: int
    at: float
    time_ms: int


RUNS = st.builds(
    Run,
    boot=st.sampled_from(["boot-1", "boot-2"]),
    jump_ms=st.sampled_from([0, 0, 90_000, 10**7, 10**11, 2 * 10**12])
    .flatmap(lambda size: st.sampled_from([size, -size])),
    step_ms=st.sampled_from([0, 1, 1000, 30_000, 60_000, 3_600_000]),
    kinds=st.lists(st.none() | st.sampled_from(Kind), min_size=1, max_size=12).map(tuple),
    places=st.lists(
        st.tuples(st.sampled_from(RESERVOIRS), st.sampled_from(["", "b-1", "b-2", "b-3"])),
        min_size=12,
        max_size=12,
    ).map(tuple),
)  # fmt: skip
SPOILS = st.builds(
    Spoil,
    how=st.integers(-3, len(DAMAGES) - 1),
    at=st.floats(0.0, 1.0),
    time_ms=st.integers(0, LATEST_MS),
)
AFTER_US = (-40_000_000, -20_000_000, -1000, -500, 0, 500, 1000)
MOMENTS = st.none() | st.tuples(st.floats(0.0, 1.0), st.sampled_from(AFTER_US))
"""A place among the entries, whose time is meant, and so many microseconds after it."""


def entries(runs: Sequence[Run]) -> list[list[Entry]]:
    """The entries of runs, which share a clock that is set."""
    found: list[list[Entry]] = []
    time_ms, mono_s = 1_900_000_000_000, 0.0
    for run in runs:
        time_ms = min(max(time_ms + run.jump_ms, 0), LATEST_MS)
        group: list[Entry] = []
        for kind, (reservoir, batch) in zip(run.kinds, run.places, strict=False):
            time_ms, mono_s = time_ms + run.step_ms, mono_s + 1.0
            at = Instant(EPOCH + timedelta(milliseconds=time_ms), mono_s, run.boot)
            group.append(entry(kind, reservoir, batch, at))
        found.append(group)
    return found


def entry(kind: Kind | None, reservoir: str, batch: str, at: Instant) -> Entry:
    """A reading, or an event of a kind."""
    if kind is not None:
        return Event(reservoir, at, batch, body_of(kind, FACTS.get(kind, {"number": at.mono_s})))
    tests = dict.fromkeys(TESTS, Flag.PASS)
    return Reading(reservoir, "ct-1", at, 51.0, 24.5, 33.9, 0.05, Flag.PASS, tests)


def write_old(path: Path, group: Sequence[Entry]) -> None:
    """Write a journal as an older version did, without checks."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for step in MIGRATIONS[:OLD_VERSION]:
            db.executescript(step)
        db.execute(f"PRAGMA user_version = {OLD_VERSION}")
        numbers: dict[rows.Origin, int] = {}
        for seq, each in enumerate(group, start=1):
            probe = each.probe if isinstance(each, Reading) else ""
            origin = (each.reservoir, probe, each.at.boot, "")
            number = numbers.setdefault(origin, len(numbers) + 1)
            db.execute("INSERT OR IGNORE INTO origins VALUES (?, ?, ?, ?, ?)", (number, *origin))
            sql, row = (
                (OLD_READING, rows.reading_row(seq, number, origin, each))
                if isinstance(each, Reading)
                else (EVENT, rows.event_row(seq, number, origin, each))
            )
            values = len(row) - 1 - (len(rows.AGE_COLUMNS) if isinstance(each, Reading) else 0)
            sql = f"{sql.partition(', proof')[0]}) VALUES ({', '.join('?' * values)})"
            db.execute(sql, row[:values])


def lead(path: Path, groups: Sequence[Sequence[Entry]], spoils: Sequence[Spoil]) -> None:
    """Write the groups, and let something happen to the journal after each."""
    writer = Writer(path, 1e12)
    try:
        for number, group in enumerate(groups):
            writer.append(group, 0.0)
            for each in spoils[number :: len(groups)]:
                seq = 1 + int(each.at * (writer.last_seq - 1))
                if each.how == -1:
                    writer.close()
                    writer = Writer(path, 1e12)
                elif each.how < 0:
                    writer.within(lambda db, to=seq: _summarise(db, to))  # type: ignore[misc]
                elif not _trusts_every_time(path, seq, DAMAGES[each.how]):
                    done = DAMAGES[each.how].format(seq=seq, time=each.time_ms)
                    writer.within(lambda db, done=done: db.execute(done))  # type: ignore[misc]
    finally:
        writer.close()


def _summarise(db: sqlite3.Connection, to: int) -> None:
    if found := db.execute(OLDEST, (to, 1000)).fetchall():
        summarise(db, found)


def _trusts_every_time(path: Path, seq: int, damage: str) -> bool:
    """Whether nothing can tell that this change was made: the entry has no check."""
    with Reader(path).transaction() as db:
        (to_seq,) = db.execute("SELECT to_seq FROM unproven").fetchone()
    return bool(seq <= to_seq and "blocks" not in damage)


def scan(reader: Reader) -> list[Stored]:
    """Everything that the journal holds."""
    return reader.after(0, 10**6)


def batches_by_scan(found: Sequence[Stored], chosen: Selection) -> list[BatchRecord]:
    """The records of the batches that began in a selection, by looking at each event."""
    events = (each.entry for each in found if isinstance(each.entry, Event))
    known = records(each for each in events if each.kind in BATCH_KINDS)
    return [each for each in known if chosen.holds(each.reservoir, each.began)]


def moment(place: tuple[float, int] | None, times: Sequence[datetime]) -> datetime | None:
    """The time of an entry, or a little after it or before."""
    if place is None:
        return None
    share, more_us = place
    return times[int(share * (len(times) - 1))] + timedelta(microseconds=more_us)


def small() -> ExitStack:
    """Blocks and reads so small that a short journal has many."""
    stack = ExitStack()
    for module, name, value in (
        (blocks, "ENTRIES", 5),
        (blocks, "FEW", 2),
        (selection, "AT_ONCE", 3),
        (selection, "CHECKED_AT_ONCE", 4),
        (writer_module, "SKIPPED_PER_BOOT", 10**12),
    ):
        stack.enter_context(patch.object(module, name, value))
    return stack


def flat(some: Iterator[list[Stored]]) -> list[Stored]:
    """All of it."""
    return [each for few in some for each in few]


@settings(deadline=None)
@given(
    st.lists(RUNS, min_size=1, max_size=6),
    st.lists(SPOILS, max_size=6),
    st.booleans(),
    st.lists(
        st.tuples(MOMENTS, MOMENTS, st.sampled_from([None, *RESERVOIRS])), min_size=1, max_size=4
    ),
)
def test_a_selection_is_what_looking_at_every_entry_gives(
    runs: list[Run],
    spoils: list[Spoil],
    old: bool,  # noqa: FBT001 - drawn
    ranges: list[tuple[tuple[float, int] | None, tuple[float, int] | None, str | None]],
) -> None:
    """Whatever clock, boots, reservoirs, damage, summaries and version it was written by."""
    with tempfile.TemporaryDirectory() as folder, small():
        path, groups = Path(folder) / "journal.db", entries(runs)
        if old:
            write_old(path, groups[0])
        lead(path, groups[1:] if old else groups, spoils)
        reader = Reader(path)
        found, last = scan(reader), reader.last_seq()
        minutes = [each for _, each in reader.summaries(limit=10**6)]
        times = [each.at.wall for group in groups for each in group]
        for since, until, reservoir in ranges:
            chosen = Selection(reservoir, moment(since, times), moment(until, times))
            held = [e for e in found if chosen.holds(e.entry.reservoir, e.entry.at.wall)]
            readings = flat(selection.readings(reader, chosen, last))
            events = flat(selection.events(reader, chosen, last))
            batches = list(selection.batches(reader, chosen, last))
            summaries = [e for some in selection.summaries(reader, chosen) for e in some]

            assert [each for each in held if isinstance(each.entry, Reading)] == readings
            assert [each for each in held if isinstance(each.entry, Event)] == events
            assert batches_by_scan(found, chosen) == batches
            assert [s for s in minutes if selects(chosen, s)] == [s for s in summaries if s]


def selects(chosen: Selection, summary: Summary | None) -> bool:
    """Whether a summary is selected; one that was changed never is."""
    return summary is not None and chosen.holds(summary.reservoir, summary.minute)


@settings(deadline=None)
@given(st.lists(RUNS, min_size=1, max_size=6))
def test_every_entry_lies_in_the_times_of_its_block(runs: list[Run]) -> None:
    """Blocks follow one another without a gap, and what is left for the next is few entries."""
    with tempfile.TemporaryDirectory() as folder, small():
        path = Path(folder) / "journal.db"
        with Writer(path, 1e12) as writer:
            for group in entries(runs):
                writer.append(group, 0.0)
        with Reader(path).transaction() as db:
            made = db.execute("SELECT * FROM blocks ORDER BY last_seq").fetchall()
        found = scan(Reader(path))

    ends = [0, *(last for last, *_ in made)]
    assert [end + 1 for end in ends[:-1]] == [first for _, first, *_ in made]
    for last, first, earliest_ms, latest_ms, _ in made:
        times = [rows.to_ms(e.entry.at.wall) for e in found if first <= e.seq <= last]
        assert (earliest_ms, latest_ms) == (min(times), max(times))
    assert sum(each.seq > ends[-1] for each in found) < 2 * 5 + 12
