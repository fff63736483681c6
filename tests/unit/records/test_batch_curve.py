"""A batch's readings as its curve has them: its own, thinned, and with their gaps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.entries import Entry, Event, Flag, Kind, Reading
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.rows import OF_WATER
from daemon.journal.writer import Writer
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.mixing.probe.quality import CALIBRATING, TESTS
from daemon.records import batch_curve, batch_samples
from daemon.records.batch_curve import Curve, Point, curve_of, segments, split, thinned
from daemon.records.batch_samples import NO_HEAD
from daemon.reports.batch_sheet import sheet_html
from tests.parts import numbered
from tests.parts.reading_rows import change_readings
from tests.unit.reports.test_batch_sheet import EVENTS, SETUP, START, at, event, rise


def reading(minute: float, salinity: float | None = 34.0, **more: str) -> Reading:
    """A reading that passed, or one that did not come."""
    known = salinity is not None
    return Reading(
        more.get("reservoir", "mix-1"), more.get("probe", "ct-1"), at(minute),
        51.0 if known else None, 24.5 if known else None, salinity, 0.09 if known else None,
        Flag.PASS if known else Flag.MISSING, dict.fromkeys(TESTS, Flag.PASS) if known else {},
    )  # fmt: skip


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    """A journal with readings before, in and after the batch."""
    ended = event(60, Kind.BATCH, what="ended", how="used", by="seen refilled")
    entries: list[Entry] = [reading(-1, 1.0), *EVENTS, reading(41), reading(42, None)]
    entries += [reading(43, reservoir="mix-2"), reading(44, probe="ct-2"), reading(45), ended]
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([*entries, reading(61, 2.0)], 0.0)
    return Reader(tmp_path / "journal.db")


def test_the_curve_is_the_batchs_own(reader: Reader) -> None:
    """Its reservoir, one probe, what can be used, and from its first event to its last."""
    (record,) = records(each for _, each in reader.events())
    points = curve_of(reader, record).points

    assert [at(41).wall, at(45).wall] == [point.wall for point in points]
    assert [0.0, 240.0] == [point.silence_s for point in points]
    assert [24.5, 24.5] == [point.temperature_C for point in points]
    assert "blue-7" in sheet_html(reader, record, SETUP)


def test_a_long_batch_is_thinned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A month of readings stays bounded in memory and keeps its beginning and end."""
    monkeypatch.setattr(batch_curve, "MOST_KEPT", 50)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([EVENTS[0], *(reading(n) for n in range(1000))], 0.0)
    reader = Reader(tmp_path / "journal.db")
    points = curve_of(reader, records(each for _, each in reader.events())[0]).points

    assert 25 <= len(points) < 50
    assert at(0).wall == points[0].wall
    assert points[-1].wall > at(950).wall
    assert [points] == segments(points)


@pytest.mark.parametrize("probe_silent", [True, False])
def test_a_gap_outlasts_the_thinning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, probe_silent: bool
) -> None:
    """Twenty minutes without a usable reading part the curve, however few points are kept."""
    monkeypatch.setattr(batch_curve, "MOST_KEPT", 50)
    entries: list[Entry] = [EVENTS[0]]
    for n in range(1000):
        if not 500 <= n < 520:
            entries.append(reading(n))
        elif not probe_silent:
            entries.append(replace(reading(n, None), fault="no reply"))
    with Writer(tmp_path / "journal.db") as writer:
        writer.append(entries, 0.0)
    reader = Reader(tmp_path / "journal.db")
    points = curve_of(reader, records(each for _, each in reader.events())[0]).points
    first, second = segments(points)

    assert first[-1].wall < at(500).wall < at(519).wall < second[0].wall


def test_a_batch_that_the_journal_has_not_has_no_curve(reader: Reader) -> None:
    """Nothing is drawn for it."""
    assert Curve() == curve_of(reader, BatchRecord("mix-1-9", "mix-1", START))


def test_an_old_batch_is_drawn_from_its_minutes(tmp_path: Path) -> None:
    """What has become summaries is drawn by the minute, what has not as it was; without a gap."""
    start = numbered.reading(0).at
    began = Event("mix-1", start, "mix-1-7", body_of(Kind.BATCH, {"what": "began"}))
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([began, *(numbered.reading(n) for n in range(240))], 0.0)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (181, 1000)).fetchall()))
    reader = Reader(tmp_path / "journal.db")
    (record,) = records(each for _, each in reader.events())

    points = curve_of(reader, record).points

    seconds = [(point.wall - numbered.START) / timedelta(seconds=1) for point in points]
    assert [30.0, 90.0, 150.0, *range(180, 240)] == seconds
    assert {33.9} == {round(point.salinity, 9) for point in points}
    assert {0.05} == {round(point.u or 0.0, 9) for point in points}
    assert [points] == segments(points)


def test_readings_at_their_period_are_one_part() -> None:
    """A reading that is missed now and then is no gap; five periods are one."""
    points = rise(10)
    late = [replace(point, silence_s=49.0) if n == 30 else point for n, point in enumerate(points)]
    gone = [replace(point, silence_s=51.0) if n == 30 else point for n, point in enumerate(points)]

    assert [60] == [len(part) for part in segments(late)]
    assert [30, 30] == [len(part) for part in segments(gone)]
    assert [] == segments([])


def test_thinning_keeps_the_longest_silence() -> None:
    """That of a point that is left out goes to the next that stays."""
    points = [Point(START + timedelta(seconds=n), 34.0, silence_s=float(n == 3)) for n in range(7)]

    assert [0.0, 0.0, 1.0, 0.0] == [point.silence_s for point in thinned(points, 2)]


def test_what_came_long_after_release_is_apart() -> None:
    """A quarter of the time until release is drawn after it."""
    drawn, rest = split(rise(600.0), START + timedelta(minutes=40))

    assert START + timedelta(minutes=50) == drawn[-1].wall
    assert 550 * 6 - 1 == len(rest)


def jumped(minute: float, hours: float) -> Reading:
    """A reading whose wall clock is so many hours off, and whose monotonic clock is not."""
    usual = reading(minute)
    return replace(usual, at=replace(usual.at, wall=usual.at.wall + timedelta(hours=hours)))


def curve_from(path: Path, entries: list[Entry], most: int | None = None) -> Curve:
    """The curve of the first batch of a journal of these entries."""
    with Writer(path / "journal.db") as writer:
        writer.append(entries, 0.0)
    reader = Reader(path / "journal.db")
    return curve_of(reader, records(each for _, each in reader.events())[0], most)


def test_time_counts_from_the_moment_of_salt(tmp_path: Path) -> None:
    """What was read before has a time below zero."""
    salt = event(8, Kind.PHASE, **{"from": "blank", "to": "dissolving"})
    curve = curve_from(tmp_path, [EVENTS[0], reading(6, 0.1), salt, reading(9, 5.0)])

    assert [-120.0, 60.0] == [point.t_s for point in curve.points]
    assert (at(8).wall, True, [-480.0, 0.0]) == (
        curve.zero, curve.from_salt, [t_s for t_s, _ in curve.marks]
    )  # fmt: skip


def test_without_salt_time_counts_from_the_beginning(tmp_path: Path) -> None:
    """A batch of purified water has a curve, too, and says that no salt came."""
    curve = curve_from(tmp_path, [EVENTS[0], reading(1, 0.1), reading(2, 0.1)])

    assert ([60.0, 120.0], False) == ([point.t_s for point in curve.points], curve.from_salt)


def test_a_clock_that_jumps_moves_no_point(tmp_path: Path) -> None:
    """Within a boot the monotonic clock counts, forwards and back."""
    entries: list[Entry] = [EVENTS[0], reading(1), jumped(2, 8760.0), jumped(3, -5.0), reading(4)]

    assert [60.0, 120.0, 180.0, 240.0] == [
        point.t_s for point in curve_from(tmp_path, entries).points
    ]


def test_a_restart_costs_no_time(tmp_path: Path) -> None:
    """Across a boot the wall clock counts, as it does for the station."""
    late = reading(30)
    late = replace(late, at=replace(late.at, mono_s=7.0, boot="boot-2"))
    entries: list[Entry] = [EVENTS[0], *(reading(n) for n in range(20)), late]
    curve = curve_from(tmp_path, entries)

    assert [1140.0, 1800.0] == [point.t_s for point in curve.points[-2:]]
    assert [20, 1] == [len(part) for part in segments(curve.points)]


def test_a_batch_whose_end_nobody_recorded_ends_where_the_next_begins(tmp_path: Path) -> None:
    """The water of the next one is not its own."""
    after = event(60, Kind.BATCH, what="began", salinity=0.0)
    entries: list[Entry] = [*EVENTS, reading(41), replace(after, batch="mix-1-2"), reading(61, 0.0)]

    assert [at(41).wall] == [point.wall for point in curve_from(tmp_path, entries).points]


def test_few_points_keep_the_extremes(tmp_path: Path) -> None:
    """A spike of one reading among a thousand is still there among thirty."""
    entries: list[Entry] = [EVENTS[0]]
    entries += [reading(n / 60, 39.0 if n == 777 else 34.0) for n in range(1000)]
    points = curve_from(tmp_path, entries, 30).points

    assert len(points) <= 30
    assert [at(777 / 60).wall] == [point.wall for point in points if point.salinity > 38.0]


def test_what_the_disk_has_changed_is_no_extreme(tmp_path: Path) -> None:
    """A salinity of a thousand million that nobody wrote is left out, and the curve is whole."""
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([EVENTS[0], *(reading(n / 60, 34.0 + n % 2) for n in range(100))], 0.0)
        writer.within(lambda db: change_readings(db, "salinity = 1e9", "seq = 50"))
    reader = Reader(tmp_path / "journal.db")
    points = curve_of(reader, records(each for _, each in reader.events())[0], 10).points

    assert {34.0, 35.0} == {point.salinity for point in points}


def test_a_reading_of_a_reference_solution_is_not_of_the_water(tmp_path: Path) -> None:
    """What a probe shows while it is calibrated is in no curve, as rows of any age say it."""
    calibrating = {**dict.fromkeys(TESTS, Flag.PASS), CALIBRATING: Flag.SUSPECT}
    solution = replace(reading(2, 20.0), flag=Flag.SUSPECT, tests=calibrating)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([EVENTS[0], reading(1), solution, reading(3), reading(4)], 0.0)
    reader = Reader(tmp_path / "journal.db")
    with reader.transaction() as db:
        found = {
            packed: db.execute(
                "SELECT count(*) FROM (SELECT 1 AS flag, 34.0 AS salinity, ? AS tests)"  # noqa: S608
                f" WHERE {OF_WATER}",
                (packed,),
            ).fetchone()[0]
            for packed in ("11111113", "111111111", "11111111", "1111111", "111111110 {}", "")
        }

    (record,) = records(each for _, each in reader.events())
    assert [1, 3, 4] == [
        (point.wall - START) // timedelta(minutes=1) for point in curve_of(reader, record).points
    ]
    assert [0, 0, 1, 1, 1, 1] == [*found.values()]


@pytest.mark.parametrize("summarised", [False, True])
def test_a_batch_that_goes_on_is_read_from_where_it_was_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, summarised: bool
) -> None:
    """Its curve is that of one that is read as a whole, also where what was read is minutes now."""
    monkeypatch.setattr(batch_samples, "GROWS_BY", 50)
    monkeypatch.setattr(batch_samples, "HEAD_SAMPLES", 40)
    path, head = tmp_path / "journal.db", NO_HEAD
    readings = [reading(n / 60, 34.0 + (n * 37 % 101) / 100) for n in range(600)]
    reader = Reader(path)
    with Writer(path) as writer:
        writer.append([EVENTS[0]], 0.0)
        (record,) = records(each for _, each in reader.events())
        for n in range(0, 600, 120):
            writer.append(readings[n : n + 120], 0.0)
            if summarised:
                writer.within(lambda db: summarise(db, db.execute(OLDEST, (9999, 60)).fetchall()))
            curve = curve_of(reader, record, 20, head)
            head = curve.head
    whole = curve_of(reader, record, 20)

    assert len(curve.points) <= 40
    for pick in (min, max):
        assert pick(p.salinity for p in whole.points) == pick(p.salinity for p in curve.points)
    assert [whole.points[n].t_s for n in (0, -1)] == [curve.points[n].t_s for n in (0, -1)]
    assert 1 == len(segments(curve.points))


def test_only_what_is_new_of_a_batch_that_goes_on_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look at a batch of weeks reads what came since the last one."""
    path, read = tmp_path / "journal.db", list[int]()
    pages = batch_samples.pages

    def counted(*given: Any) -> Iterator[list[tuple[Any, ...]]]:  # noqa: ANN401 - handed on
        for some in pages(*given):
            read.append(len(some))
            yield some

    monkeypatch.setattr(batch_samples, "pages", counted)
    with Writer(path) as writer:
        writer.append([EVENTS[0], *(reading(n / 60) for n in range(500))], 0.0)
        reader = Reader(path)
        (record,) = records(each for _, each in reader.events())
        head = curve_of(reader, record, 20).head
        writer.append([reading(n / 60) for n in range(500, 600)], 0.0)
    after = curve_of(reader, record, 20, head)

    assert [0, 500, 0, 100] == read
    assert 599.0 == after.points[-1].t_s
