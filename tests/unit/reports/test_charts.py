"""The charts: to scale, whole, with gaps where there are gaps, and for any readings at all."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.due_dates import DriftForecast, MeasuredFactor
from daemon.records.batch_curve import Point, split
from daemon.reports.charts import Chart, Marks, batch_charts, drift_chart
from tests.unit.reports.test_batch_sheet import START, rise


def places(chart: Chart, kind: str = "curve") -> list[list[tuple[float, float]]]:
    """The places of each trace of a kind."""
    return [
        [(float(x), float(y)) for x, y in (pair.split(",") for pair in trace.points.split())]
        for trace in chart.traces
        if trace.kind == kind
    ]


def test_the_curve_is_drawn_to_scale() -> None:
    """Its highest place is where the axis has 34, and it runs from edge to edge."""
    whole, _ = batch_charts(rise(), Marks(low=33.0, high=35.0))
    (line,) = places(whole)
    height = whole.frame[3]

    # The frame's top is 6 % above the upper limit of 35, its bottom at 0.
    assert height * (1 - 34.0 / (35.0 * 1.06)) == pytest.approx(min(y for _, y in line), abs=0.2)
    assert 0.0 == line[0][0]
    assert line == sorted(line, key=lambda place: place[0])


def test_band_limits_and_phases_are_drawn() -> None:
    """In both drawings: the band of two standard uncertainties, two limits, and the marks."""
    marks = Marks([(START + timedelta(minutes=8), "dissolving")], 33.0, 35.0, 34.0)
    charts = batch_charts(rise(), marks)

    for chart in charts:
        assert 1 == len(places(chart, "band"))
        assert 1 == len(places(chart, "interval"))
        assert 2 == sum(line.kind == "limit" for line in chart.lines)
    assert ["dissolving"] == [mark.text for mark in charts[0].marks]


def test_the_band_is_two_standard_uncertainties_to_each_side() -> None:
    """Its height about the last point, in salinity."""
    _, near = batch_charts(rise(), Marks(low=33.0, high=35.0, salinity=34.0))
    (band,) = places(near, "band")
    ticks = {label.text: label.y for label in near.labels if label.anchor == "end"}
    per_ppt = ticks["34"] - ticks["35"] if "35" in ticks else ticks["33"] - ticks["34"]
    middle = len(band) // 2

    assert band[middle][1] - band[middle - 1][1] == pytest.approx(4 * 0.09 * per_ppt, abs=0.3)


def test_a_curve_without_uncertainty_has_no_band() -> None:
    """Nothing is drawn that nobody knows."""
    points = [Point(point.wall, point.salinity) for point in rise()]

    assert [] == [band for chart in batch_charts(points, Marks()) for band in places(chart, "band")]


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "Asia/Kathmandu"])
def test_a_gap_in_the_readings_is_a_gap_in_the_curve(zone: str) -> None:
    """Nothing is drawn over twelve minutes without a usable reading."""
    points = rise(50)
    before, after = points[:100], points[172:]
    late = Point(after[0].wall, after[0].salinity, 0.09, 24.6, 730.0)
    whole, _ = batch_charts([*before, late, *after[1:]], Marks(), ZoneInfo(zone))
    parts = places(whole)

    assert 2 == len(parts) == len(places(whole, "band"))
    minute = whole.frame[2] / ((after[-1].wall - before[0].wall) / timedelta(minutes=1))
    assert parts[1][0][0] - parts[0][-1][0] == pytest.approx(12.2 * minute, abs=0.3)


def axis(chart: Chart) -> list[str]:
    """The times at the foot of a chart."""
    return [label.text for label in chart.labels if ":" in label.text and len(label.text) == 5]


def test_the_axis_shows_local_time() -> None:
    """08:00 UTC is 13:45 in Kathmandu, and the axis says which zone it is in."""
    whole, _ = batch_charts(rise(), Marks(), ZoneInfo("Asia/Kathmandu"))

    assert "13:45" in axis(whole)
    assert whole.labels[-1].text.endswith("time in UTC+05:45")


def night(start: datetime) -> list[Point]:
    """Four hours of steady water."""
    return [Point(start + timedelta(minutes=n), 34.0, 0.1, 24.0, 60.0) for n in range(241)]


@pytest.mark.parametrize(
    "start, times, caption",
    [
        (
            datetime(2026, 3, 28, 23, tzinfo=UTC),
            ["00:00", "01:00", "03:00", "04:00", "05:00"],
            "CET, then CEST",
        ),
        (
            datetime(2026, 10, 24, 23, tzinfo=UTC),
            ["01:00", "02:00", "03:00", "04:00"],
            "CEST, then CET",
        ),
    ],
)
def test_the_axis_is_true_when_the_clock_is_changed(
    start: datetime, times: list[str], caption: str
) -> None:
    """The hour that is skipped is not there, that which comes twice has one tick."""
    whole, _ = batch_charts(night(start), Marks(), ZoneInfo("Europe/Berlin"))

    assert times == axis(whole)
    assert whole.labels[-1].text.endswith(caption)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**7),
            st.one_of(st.floats(-1.0, 42.0), st.just(math.nan)),
            st.one_of(st.none(), st.floats(0.0, 5.0)),
            st.floats(0.0, 1e6),
        ),
        max_size=30,
    ),
    st.one_of(st.none(), st.floats(0.0, 41.0)),
    st.sampled_from(["UTC", "Europe/Lisbon", "Pacific/Chatham", "America/St_Johns"]),
)
def test_any_readings_can_be_drawn(
    found: list[tuple[int, float, float | None, float]], low: float | None, zone: str
) -> None:
    """One reading, none, all alike, out of order, or no numbers: there is a drawing."""
    points = [
        Point(START + timedelta(seconds=s), value, u, None, silence)
        for s, value, u, silence in found
    ]
    high = None if low is None else low + 1.0
    drawn, _ = split(points, START + timedelta(hours=1))
    charts = batch_charts(drawn, Marks([(START, "ready")], low, high, None), ZoneInfo(zone))

    assert len(charts) == (2 if drawn else 0)
    for chart in charts:
        numbers = [n for part in (*places(chart), *places(chart, "band")) for p in part for n in p]
        assert all(map(math.isfinite, numbers))
        assert sum(map(len, places(chart))) >= 2


FIRST = datetime(2026, 1, 1, 8, tzinfo=UTC)
AHEAD = DriftForecast(
    0.0004, 0.0001, 1.024, 0.001, 0.98, 1.02, date(2026, 3, 1), date(2026, 2, 20), None, True
)  # fmt: skip


def drifting() -> list[MeasuredFactor]:
    """A cell constant that leaves its limits with the last value."""
    return [MeasuredFactor(FIRST + timedelta(days=10 * n), 1.0 + 0.006 * n, 0.001, f"m-{n}")
            for n in range(5)]  # fmt: skip


def test_a_value_outside_its_limits_has_another_form_and_a_word() -> None:
    """The colour alone never says it."""
    chart = drift_chart(drifting(), AHEAD, "drift")

    assert ["inside"] * 4 + ["outside"] == [spot.kind for spot in chart.spots]
    assert ["outside the limits" in spot.title for spot in chart.spots] == [False] * 4 + [True]
    assert 2 == sum(line.kind == "limit" for line in chart.lines)
    assert 5 == sum(line.kind == "bar" for line in chart.lines)


def test_a_single_calibration_has_a_chart() -> None:
    """Without limits and without a trend."""
    chart = drift_chart(drifting()[:1], None, "drift")

    assert ["inside"] == [spot.kind for spot in chart.spots]
    assert not [line for line in chart.lines if line.kind in ("limit", "trend")]
