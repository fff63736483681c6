"""A slice of the benchmark of exports: the same journal, smaller, and no figure is asserted."""

from __future__ import annotations

import tracemalloc
from datetime import timedelta

import pytest

from daemon.entries import Event, Reading
from daemon.journal.reader import Reader
from daemon.journal.selection import Selection, readings
from tests.benchmarks import export
from tests.benchmarks.export import DAY, START, Shape

SHAPE = Shape(days=14, kept=8, period_s=60.0)


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Reader:
    """Of a fortnight, whose first six days are minute summaries; its clock goes astray once."""
    path = tmp_path_factory.mktemp("journal") / "journal.db"
    export.write(path, SHAPE)
    export.catch_up(path)
    return Reader(path)


@pytest.mark.parametrize("number", range(1, 5))
def test_each_day_of_summaries_is_what_lies_in_it(reader: Reader, number: int) -> None:
    """The benchmark compares it with what looking at every summary gives."""
    said = export.day_of_summaries(reader, export.selected(START + number * DAY))

    assert said.startswith("1440 minute summaries of a day: ")


@pytest.mark.parametrize("number", range(7, 12))
def test_each_day_of_entries_is_what_lies_in_it(reader: Reader, number: int) -> None:
    """Also those that the clock put into another day, or took from it."""
    day = export.selected(START + number * DAY)
    astray = {9: -60, 10: 60}.get(number, 0)
    said = export.day_of_entries(reader, day, Reading)

    assert 1430 + astray <= int(said.split()[0]) <= 1440 + astray
    assert " Events of a day: " in export.day_of_entries(reader, day, Event)


def test_memory_does_not_grow_with_what_is_exported(reader: Reader) -> None:
    """Eight days take no more of it than two, which is a page and what belongs to it."""

    def most(days: int) -> int:
        chosen = Selection(None, START + 6 * DAY, START + (6 + days) * DAY + timedelta(days=1))
        tracemalloc.start()
        count = sum(len(some) for some in readings(reader, chosen, reader.last_seq()))
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert count >= days * 1430
        return peak

    most(2)  # what is kept for later readings is made now
    assert most(8) < 1.2 * most(2)
