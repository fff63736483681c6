"""A stretch of any length is answered from both files as one, and says what it lacks."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Instant, Kind, Phase, Reading
from daemon.journal import blocks
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.summaries import MINUTE_MS, class_of
from daemon.journal.trend import filling as filling_module
from daemon.journal.trend import stretch
from daemon.journal.trend import trend as trend_module
from daemon.journal.trend.filling import Filling
from daemon.journal.trend.marks import MarkKind
from daemon.journal.trend.series import STEPS_S, source_width_ms
from daemon.journal.trend.trend import Question, Trend, TrendReader
from daemon.journal.trend.trend_file import WIDTHS_MS, TrendFile, throw_away, trend_path
from daemon.journal.writer import Writer
from tests.parts.numbered import START, reading
from tests.parts.trends import START_MS, course, fill, ms, water, write


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal is."""
    return tmp_path / "journal.db"


def ask(
    path: Path,
    since_s: int,
    until_s: int,
    points: int = 500,
    step: int = 0,
) -> Trend:
    """The trend between two seconds after the start."""
    question = Question("mix-1", START_MS + 1000 * since_s, START_MS + 1000 * until_s, points, step)
    return TrendReader(Reader(path), trend_path(path)).read(question)


def inside(trend: Trend, known: list[Reading]) -> list[Reading]:
    """The readings that lie in what was answered."""
    return [each for each in known if trend.since_ms <= ms(each) < trend.until_ms]


def check(trend: Trend, known: list[Reading]) -> None:
    """Compare points with the readings that they are of."""
    here = inside(trend, known)
    usable = {ms(each) for each in water(here)}
    waters = [each.water for each in trend.points if each.water]
    values = [each.salinity for each in water(here) if each.salinity is not None]
    assert len(here) == sum(each.readings for each in trend.points)
    assert (min(values), max(values)) == (
        min(each.salinity.low for each in waters),
        max(each.salinity.high for each in waters),
    )
    assert {each.time_ms for each in trend.points if each.water} <= usable
    for gap in trend.gaps:
        assert not [each for each in usable if gap.begin_ms < each < gap.end_ms]


def phase(second: float, before: Phase, to: Phase, reservoir: str = "mix-1") -> Event:
    """A step of the phase."""
    at = Instant(START + timedelta(seconds=second), second, "boot-1")
    return Event(reservoir, at, "b-1", body_of(Kind.PHASE, {"from": before, "to": to}))


@pytest.mark.parametrize(
    "length_s, points, step, source",
    [
        (600, 600, 1, "readings"),
        (600, 100, 10, "readings"),
        (3600, 500, 10, "readings"),
        (7300, 500, 60, "minutes"),
        (20_000, 100, 300, "minutes"),
        (20_000, 30, 1200, "ten minutes"),
        (86_400, 10, 14_400, "hours"),
        (86_400, 2, 43_200, "half days"),
    ],
)
def test_a_stretch_of_any_length_is_what_its_readings_say(
    path: Path, length_s: int, points: int, step: int, source: str
) -> None:
    """No more points than wanted but one at each end, and no reading, extreme or gap is lost."""
    known = course(4000, period_s=3.0)
    write(path, known)
    fill(path)
    trend = ask(path, 100, 100 + length_s, points)

    assert (step, source) == (trend.step, trend.source)
    assert len(trend.points) <= points + 2
    assert (None, None, 0) == (trend.complete_from_ms, trend.missing, trend.gaps_left_out)
    check(trend, known)


def test_each_step_is_made_of_whole_buckets() -> None:
    """Else a bucket would lie in two points."""
    for step in STEPS_S:
        source_ms = source_width_ms(step, WIDTHS_MS)
        assert 1000 * step < MINUTE_MS or 1000 * step % source_ms == 0


def test_what_the_file_lacks_comes_from_the_journal(path: Path) -> None:
    """Readings of after the last step of filling are in the answer, once."""
    known = course(900, period_s=10.0)
    write(path, known[:600])
    fill(path)
    write(path, known[600:])

    check(ask(path, 0, 12_000, 50), known)


def test_without_the_file_the_newest_is_answered_and_what_lacks_is_said(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in the first seconds after an update."""
    monkeypatch.setattr(stretch, "MOST_NEW", 200)
    known = course(900, period_s=10.0)
    write(path, known)
    trend = ask(path, 0, 14_000, 50)

    assert ms(known[-200]) == trend.complete_from_ms
    assert 200 == sum(each.readings for each in trend.points)


def test_a_file_that_is_behind_says_which_stretch_is_missing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Publishing did not run for a while: old and newest are there, and between them a time."""
    known = course(900, period_s=10.0)
    write(path, known[:400])
    fill(path)
    write(path, known[400:])
    monkeypatch.setattr(stretch, "MOST_NEW", 200)
    trend = ask(path, 0, 14_000, 50)

    assert (ms(known[400]), ms(known[700])) == trend.missing
    assert not [
        each
        for each in trend.gaps
        if each.end_ms > ms(known[400]) and each.begin_ms < ms(known[700])
    ]
    assert 600 == sum(each.readings for each in trend.points)


def test_half_a_file_says_from_when_on_it_is_complete(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While what is older is prepared."""
    monkeypatch.setattr(filling_module, "PIECE", 300)
    monkeypatch.setattr(filling_module, "MARGIN", 300)
    known = course(1000, period_s=10.0)
    write(path, known)
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    for _ in range(2):
        filling.step()
    reach = file.reach()
    file.close()
    trend = ask(path, 0, 20_000, 50)

    assert reach is not None
    assert ms(known[reach.low]) == trend.complete_from_ms
    assert 1000 - reach.low == sum(each.readings for each in trend.points)


def test_a_file_of_another_journal_is_not_used(path: Path) -> None:
    """Its figures would be of other water."""
    write(path, course(300, seed=4, period_s=10.0))
    fill(path)
    path.unlink()
    known = course(200, seed=8, period_s=10.0)
    write(path, known)

    check(ask(path, 0, 8000, 50), known)


def test_a_spoilt_file_goes_and_the_newest_comes_from_the_journal(path: Path) -> None:
    """Whoever fills it makes it again."""
    known = course(300, period_s=10.0)
    write(path, known)
    fill(path)
    with closing(sqlite3.connect(trend_path(path))) as db, db:
        db.execute("UPDATE buckets SET data = zeroblob(length(data))")
    trend = ask(path, 0, 8000, 50)

    assert not trend_path(path).exists()
    check(trend, known)


def test_a_batch_of_before_a_jump_of_the_clock_is_found(path: Path) -> None:
    """The clock was a day ahead for a while; both days are answered, from readings as well."""
    day_s = 86_400
    early = course(500)
    ahead = [
        replace(one, at=Instant(one.at.wall + timedelta(days=1), one.at.mono_s, "boot-2"))
        for one in course(500, seed=2)
    ]
    back = [
        replace(one, at=Instant(one.at.wall + timedelta(hours=1), one.at.mono_s, "boot-3"))
        for one in course(500, seed=3)
    ]
    write(path, early + ahead + back)
    fill(path)

    for since_s in (0, 3600, day_s):
        check(ask(path, since_s, since_s + 3000), early + ahead + back)
    check(ask(path, 0, 2 * day_s), early + ahead + back)


def test_each_point_is_of_all_probes(path: Path) -> None:
    """Two probes that disagree, read by turns each four seconds: the curve is no zigzag."""
    pairs = [
        replace(
            reading(2 * n, probe=f"ct-{n % 2}"),
            salinity=33.0 + n % 2,
        )
        for n in range(600)
    ]
    write(path, pairs)
    trend = ask(path, 0, 600, 600)

    assert 5 == trend.step
    assert all(
        (33.0, 34.0) == (each.water.salinity.low, each.water.salinity.high)
        for each in trend.points
        if each.water
    )
    check(trend, pairs)


def test_old_minutes_are_points_among_readings(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A short stretch that reaches into what became minute summaries."""
    monkeypatch.setattr(blocks, "ENTRIES", 64)
    known = course(1500)
    write(path, known)
    with Writer(path, 1e12) as writer:
        found = writer.within(lambda db: db.execute(OLDEST, (700, 700)).fetchall())
        writer.within(lambda db: summarise(db, found))
    fill(path)
    trend = ask(path, 0, 3600, 720)

    old = {(ms(each) // 60_000, class_of(each)) for each in known[:700]}
    assert len(inside(trend, known)) == sum(each.readings for each in trend.points)
    assert "readings" == trend.source
    assert len(old) <= len(trend.points)


def test_a_journal_without_blocks_is_answered_by_the_minute(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An older version wrote it: a short stretch must not cost a look at all there is."""
    monkeypatch.setattr(stretch, "MOST_SCANNED", 500)
    known = course(1500)
    write(path, known)
    fill(path)
    trend = ask(path, 0, 600)

    assert ("minutes", 60) == (trend.source, trend.step)
    check(trend, known)


def test_marks_and_phases_are_those_of_the_stretch(path: Path) -> None:
    """With the phase that it begins in, from the file and from what is newer than that."""
    events = [
        phase(0, Phase.IDLE, Phase.BLANK),
        phase(50, Phase.BLANK, Phase.DISSOLVING),
        phase(900, Phase.DISSOLVING, Phase.VERIFYING),
        phase(950, Phase.VERIFYING, Phase.READY),
        phase(960, Phase.VERIFYING, Phase.READY, "mix-2"),
    ]
    with Writer(path, 1e12) as writer:
        writer.append([reading(0), *events[:3], reading(901)], 0.0)
    fill(path)
    with Writer(path, 1e12) as writer:
        writer.append([*events[3:], reading(961)], 0.0)
    trend = ask(path, 40, 1200)

    assert [MarkKind.SALT, MarkKind.RELEASED] == [each.kind for each in trend.marks]
    assert ["blank", "dissolving", "verifying", "ready"] == [each.phase for each in trend.phases]
    assert [50_000, 950_000] == [each.time_ms - START_MS for each in trend.marks]
    later = ask(path, 955, 1200)
    assert (["ready"], []) == ([each.phase for each in later.phases], later.marks)


def test_too_many_phases_are_none(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of them would look like all of them."""
    monkeypatch.setattr(trend_module, "MOST_PHASES", 3)
    steps = [phase(10 * n, Phase.BLANK, Phase.DISSOLVING) for n in range(1, 6)]
    with Writer(path, 1e12) as writer:
        writer.append([reading(0), *steps, reading(61)], 0.0)
    fill(path)

    assert [] == ask(path, 5, 100).phases
    assert [10_000, 20_000] == [each.time_ms - START_MS for each in ask(path, 15, 25).phases]


def test_a_kind_of_marks_is_given_whole_or_not_at_all(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of two kinds the one that there is room for is there, in the file and newer than that."""
    monkeypatch.setattr(trend_module, "MOST_MARKS", 3)
    salted = [phase(10 * n, Phase.BLANK, Phase.DISSOLVING) for n in range(1, 6)]
    released = [phase(10 * n + 5, Phase.VERIFYING, Phase.READY) for n in range(2, 4)]
    with Writer(path, 1e12) as writer:
        writer.append([reading(0), *salted, released[0]], 0.0)
    fill(path)
    with Writer(path, 1e12) as writer:
        writer.append([released[1], reading(61)], 0.0)
    trend = ask(path, 5, 100)

    assert ([MarkKind.RELEASED] * 2, (MarkKind.SALT,)) == (
        [each.kind for each in trend.marks],
        trend.marks_left_out,
    )


def test_an_unknown_reservoir_and_an_empty_journal_have_no_points(path: Path) -> None:
    """Nothing is made up."""
    Writer(path, 1e12).close()
    empty = ask(path, 0, 86_400)
    fill(path)
    filled = ask(path, 0, 86_400)

    assert ([], [], [], None) == (empty.points, empty.gaps, empty.marks, empty.complete_from_ms)
    assert ([], None) == (filled.points, filled.missing)


def test_the_file_may_go_at_any_time(path: Path) -> None:
    """Deleted between two answers."""
    known = course(300, period_s=10.0)
    write(path, known)
    fill(path)
    throw_away(trend_path(path))

    check(ask(path, 0, 8000, 50), known)
