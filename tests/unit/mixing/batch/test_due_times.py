"""Due times: when a batch is wanted, when to start it, and when that was missed."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.mixing.batch.due_times import (
    DEFAULT_MIN,
    DURATIONS_KEPT,
    DueBatch,
    MixingTimes,
    earliest_start,
    expected,
    learn,
    missed,
    next_due,
    start_by,
)

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")  # moves its clock by half an hour
NUUK = ZoneInfo("America/Nuuk")  # moves its clock an hour before midnight
SATURDAY = DueBatch(5, 10, 0, 60.0)
DAILY = DueBatch(None, 10, 0, 60.0)
KNOWN = MixingTimes([20.0, 22.0, 24.0, 26.0, 28.0])


def utc(text: str) -> datetime:
    """A moment in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    "due, now, zone, wanted",
    [
        (SATURDAY, "2026-03-02T08:00", UTC, "2026-03-07T10:00"),
        (SATURDAY, "2026-03-07T09:59", UTC, "2026-03-07T10:00"),
        (SATURDAY, "2026-03-07T10:00", UTC, "2026-03-07T10:00"),
        (SATURDAY, "2026-03-07T10:01", UTC, "2026-03-14T10:00"),
        (DAILY, "2026-03-07T10:01", UTC, "2026-03-08T10:00"),
        # The year's end, and a leap day.
        (DAILY, "2026-12-31T10:01", UTC, "2027-01-01T10:00"),
        (SATURDAY, "2026-12-28T10:00", UTC, "2027-01-02T10:00"),
        (DAILY, "2028-02-28T10:01", UTC, "2028-02-29T10:00"),
        # Summer time begins on Sunday 2026-03-29 in Berlin and ends on 2026-10-25.
        (SATURDAY, "2026-03-27T00:00", BERLIN, "2026-03-28T09:00"),
        (SATURDAY, "2026-03-28T12:00", BERLIN, "2026-04-04T08:00"),
        (SATURDAY, "2026-10-23T00:00", BERLIN, "2026-10-24T08:00"),
        (SATURDAY, "2026-10-24T12:00", BERLIN, "2026-10-31T09:00"),
        # 02:30 is skipped in spring: the clock then shows 03:30.
        (DueBatch(6, 2, 30, 60.0), "2026-03-28T12:00", BERLIN, "2026-03-29T01:30"),
        # 02:30 comes twice in autumn: the first.
        (DueBatch(6, 2, 30, 60.0), "2026-10-24T12:00", BERLIN, "2026-10-25T00:30"),
        (DueBatch(6, 2, 30, 60.0), "2026-10-25T00:31", BERLIN, "2026-11-01T01:30"),
        (DueBatch(6, 2, 30, 60.0), "2026-03-07T12:00", NEW_YORK, "2026-03-08T07:30"),
        (DueBatch(6, 2, 15, 60.0), "2026-10-03T00:00", LORD_HOWE, "2026-10-03T15:45"),
        # Saturday's last hour is skipped in Nuuk on 2026-03-28: 23:30 comes as Sunday's 00:30.
        (DueBatch(5, 23, 30, 60.0), "2026-03-28T12:00", NUUK, "2026-03-29T01:30"),
        (DueBatch(5, 23, 30, 60.0), "2026-03-29T01:10", NUUK, "2026-03-29T01:30"),
        (DueBatch(5, 23, 30, 60.0), "2026-03-29T01:31", NUUK, "2026-04-05T00:30"),
        # Local Saturday while it is Friday or Sunday in UTC.
        (DueBatch(5, 0, 30, 60.0), "2026-06-05T12:00", BERLIN, "2026-06-05T22:30"),
        (DueBatch(5, 22, 0, 60.0), "2026-06-06T12:00", NEW_YORK, "2026-06-07T02:00"),
        (
            DueBatch(0, 0, 0, 60.0),
            "2026-01-01T00:00",
            timezone(timedelta(hours=14)),
            "2026-01-04T10:00",
        ),
    ],
)
def test_the_next_due_time_is_one_of_the_local_clock(
    due: DueBatch, now: str, zone: tzinfo, wanted: str
) -> None:
    """Ten o'clock stays ten o'clock across summer time, weeks and years."""
    assert utc(wanted) == next_due(due, utc(now), zone)


def test_without_a_zone_that_of_the_present_counts() -> None:
    """A caller may give the local time itself."""
    now = datetime(2026, 7, 3, 12, 0, tzinfo=BERLIN)

    assert utc("2026-07-04T08:00") == next_due(SATURDAY, now)
    assert UTC == next_due(SATURDAY, now).tzinfo


@given(
    st.integers(946_684_800, 4_102_444_800),  # seconds since 1970: the years 2000 to 2100
    st.sampled_from([None, *range(7)]),
    st.integers(0, 23),
    st.integers(0, 59),
    st.sampled_from([UTC, BERLIN, NEW_YORK, LORD_HOWE]),
)
def test_a_due_time_is_never_past_nor_farther_than_its_period(
    now_s: int, weekday: int | None, hour: int, minute: int, zone: tzinfo
) -> None:
    """It lies within a day or a week, give or take the hour by which a clock is moved."""
    now = datetime.fromtimestamp(now_s, UTC)
    found = next_due(DueBatch(weekday, hour, minute, 60.0), now, zone)
    period = timedelta(days=1 if weekday is None else 7, hours=1)

    assert timedelta(0) <= found - now <= period
    assert weekday in (None, found.astimezone(zone).weekday())


def test_before_anything_is_learned_mixing_takes_half_an_hour() -> None:
    """The habit stands for both the usual and the long case."""
    assert (DEFAULT_MIN, DEFAULT_MIN) == expected(MixingTimes())


@pytest.mark.parametrize(
    "minutes, wanted",
    [
        ([20.0], (20.0, 30.0)),
        ([40.0], (40.0, 40.0)),
        ([20.0, 10.0], (15.0, 30.0)),
        ([12.0, 10.0, 11.0], (11.0, 12.0)),
        ([float(n) for n in range(1, 11)], (5.5, 9.0)),
        ([float(n) for n in range(1, 21)], (10.5, 18.0)),
    ],
)
def test_mixing_times_are_learned(minutes: list[float], wanted: tuple[float, float]) -> None:
    """One or two quick batches do not yet shorten what is planned for; three do."""
    assert wanted == expected(MixingTimes(minutes))


def test_old_mixing_times_are_forgotten() -> None:
    """A new pump shows after twenty batches at the latest."""
    times = MixingTimes()
    for _ in range(DURATIONS_KEPT):
        learn(times, 40.0)
    for _ in range(DURATIONS_KEPT):
        learn(times, 10.0)

    assert [10.0] * DURATIONS_KEPT == times.minutes


@pytest.mark.parametrize("minutes", [0.0, -1.0, math.nan, math.inf])
def test_an_impossible_mixing_time_is_refused(minutes: float) -> None:
    """A clock that jumped teaches nothing."""
    with pytest.raises(ValueError, match="cannot have taken"):
        learn(MixingTimes(), minutes)


@pytest.mark.parametrize(
    "times, use_within_h, margin_min, wanted",
    [
        (MixingTimes(), 24.0, 15.0, "09:15"),
        (KNOWN, 24.0, 15.0, "09:17"),
        (KNOWN, 24.0, 60.0, "08:32"),
        # Keeps for so short a time that the margin has to go: quickest 20 min and 10 min to keep.
        (KNOWN, 1 / 6, 15.0, "09:30"),
    ],
)
def test_the_start_leaves_time_to_mix_and_no_time_to_go_stale(
    times: MixingTimes, use_within_h: float, margin_min: float, wanted: str
) -> None:
    """Due at ten, it starts a long mixing and a margin before."""
    now = utc("2026-03-06T12:00")

    found = start_by(SATURDAY, now, times, use_within_h, margin_min)

    assert utc(f"2026-03-07T{wanted}") == found


def test_the_start_crosses_the_moved_clock() -> None:
    """Durations are true ones: 45 min before 03:10 summer time is 01:25 winter time."""
    due = DueBatch(6, 3, 10, 60.0)

    found = start_by(due, utc("2026-03-28T12:00"), MixingTimes(), 24.0, zone=BERLIN)

    assert utc("2026-03-29T00:25") == found
    assert (1, 25) == (found.astimezone(BERLIN).hour, found.astimezone(BERLIN).minute)


@given(
    st.lists(st.floats(1.0, 600.0), max_size=20),
    st.floats(0.1, 100.0),
    st.floats(0.0, 240.0),
    st.data(),
)
def test_a_batch_started_in_time_is_never_stale_when_due(
    minutes: list[float], use_within_h: float, margin_min: float, data: st.DataObject
) -> None:
    """Whichever of its known durations it takes, it keeps until it is due; most are ready too."""
    now, times = utc("2026-03-02T08:00"), MixingTimes(minutes)
    start = start_by(SATURDAY, now, times, use_within_h, margin_min)
    wanted = next_due(SATURDAY, now)
    took = data.draw(st.sampled_from(minutes)) if minutes else DEFAULT_MIN
    ready = start + timedelta(minutes=took)
    second = timedelta(seconds=1)

    assert ready + timedelta(hours=use_within_h) >= wanted - second
    roomy = use_within_h * 60.0 > max(minutes, default=DEFAULT_MIN) + DEFAULT_MIN + margin_min
    assert not roomy or start + timedelta(minutes=expected(times)[1]) <= wanted + second


def test_the_earliest_start_keeps_until_due() -> None:
    """A batch that keeps for a day may be started a day and the quickest mixing before."""
    now = utc("2026-03-06T12:00")

    assert utc("2026-03-06T09:40") == earliest_start(SATURDAY, now, KNOWN, 24.0)


def judged(now: str, salted: str | None = None, released: str | None = None) -> bool:
    """Whether Saturday's batch, which keeps for 24 h and starts by 09:17, is missed."""
    went_in, done = (None if text is None else utc(text) for text in (salted, released))
    return missed(SATURDAY, utc(now), KNOWN, 24.0, went_in, done)


@pytest.mark.parametrize(
    "now, salted, released",
    [
        ("2026-03-07T09:17", None, None),
        ("2026-03-07T09:59", None, None),
        # Under way for longer than a batch keeps: that one has gone wrong.
        ("2026-03-07T09:30", "2026-03-06T09:39", None),
        # Ready, and stale when wanted.
        ("2026-03-07T09:30", "2026-03-06T09:00", "2026-03-06T09:59"),
    ],
)
def test_a_missed_start_is_noticed(now: str, salted: str | None, released: str | None) -> None:
    """It is missed once it has passed with no batch under way nor one that will be fresh."""
    assert judged(now, salted, released)


@pytest.mark.parametrize(
    "now, salted, released",
    [
        ("2026-03-07T09:16", None, None),
        # After Saturday ten it is about next week.
        ("2026-03-07T10:01", None, None),
        ("2026-03-07T09:30", "2026-03-07T09:10", None),
        ("2026-03-07T09:30", "2026-03-07T09:29", None),
        ("2026-03-07T09:30", "2026-03-06T09:40", None),
        ("2026-03-07T09:30", "2026-03-06T09:00", "2026-03-06T10:00"),
    ],
)
def test_a_start_in_time_is_not_missed(now: str, salted: str | None, released: str | None) -> None:
    """While there is time, or a batch that will be ready and fresh, nothing is missed."""
    assert not judged(now, salted, released)


@pytest.mark.parametrize(
    "facts, part",
    [
        ({"weekday": 7}, "weekday 7 is outside 0 (Monday) to 6 (Sunday)"),
        ({"hour": 24}, "24:00 is not a time"),
        ({"minute": 60}, "10:60 is not a time"),
        ({"volume_l": -60.0}, "a batch of -60 L"),
        ({"volume_l": math.nan}, "a batch of nan L"),
        ({"fraction": 10.0}, "a change of 10 of the tank is outside 0 to 1 (0.1 is 10 %)"),
    ],
)
def test_a_due_time_that_cannot_be_is_refused(facts: dict[str, Any], part: str) -> None:
    """Each wrong value is named with what is allowed."""
    with pytest.raises(ValueError, match=r"^[^\n]+$") as caught:
        DueBatch(**{"weekday": 5, "hour": 10, "minute": 0, "volume_l": 60.0, **facts})

    assert part in str(caught.value)


def test_a_time_without_a_zone_is_refused() -> None:
    """Ten o'clock somewhere is no moment."""
    with pytest.raises(ValueError, match="must come with its zone"):
        next_due(SATURDAY, datetime(2026, 3, 2, 8, 0))  # noqa: DTZ001 - what is refused


@pytest.mark.parametrize(
    "due, said",
    [
        (DueBatch(5, 10, 0, 60.0, 0.1), "60 L ready by 10:00, Saturdays, 10 % of the tank"),
        (DueBatch(None, 7, 5, 12.5), "12.5 L ready by 07:05, every day"),
    ],
)
def test_a_due_time_is_put_in_words(due: DueBatch, said: str) -> None:
    """A person reads it as it was meant."""
    assert said == str(due)


def test_what_was_learned_survives_being_written_down() -> None:
    """The station's snapshot gives back the same times."""
    kept = TypeAdapter(MixingTimes)

    assert KNOWN == kept.validate_json(kept.dump_json(KNOWN))
