"""The last minutes of a probe, in bins of ten seconds."""

from __future__ import annotations

from collections.abc import Callable
from math import exp

import pytest

from daemon.mixing.probe.place_bins import PlaceBins


def filled(
    course: Callable[[float], float], minutes: float, period_s: float = 1.0, start_s: float = 0.0
) -> PlaceBins:
    """Bins of a probe whose salinity follows a course; it conducts 1.4 mS/cm for each ppt."""
    bins = PlaceBins()
    for n in range(int(minutes * 60.0 / period_s) + 1):
        salinity = course(n * period_s)
        bins.add(start_s + n * period_s, (1.4 * salinity, 24.0, salinity))
    return bins


def ramp(gone_s: float, begin_s: float = 120.0, span_s: float = 60.0) -> float:
    """Salinity of 10 that goes evenly to 30 from two minutes on, within one minute."""
    return 10.0 + 20.0 * min(max((gone_s - begin_s) / span_s, 0.0), 1.0)


def behind(gone_s: float, at_s: float, lag_s: float = 10.0) -> float:
    """Salinity of 10 that jumps to 30, as a cell shows it that lags."""
    return 10.0 if gone_s < at_s else 30.0 - 20.0 * exp(-(gone_s - at_s) / lag_s)


def test_a_bin_is_the_median_of_ten_seconds_and_bears_the_time_of_its_first_reading() -> None:
    """Of 0 to 9, and one bubble, it is 4.5 and not more; the eleventh reading closes it."""
    bins = PlaceBins()
    closed = [bins.add(100.0 + n, (float(n), 20.0 + n, 2.0 * n)) for n in range(11)]

    assert [False] * 10 + [True] == closed
    assert ([100.0], [4.5], [24.5], [9.0]) == (
        bins.times_s,
        bins.conductivities,
        bins.temperatures,
        bins.salinities,
    )
    assert [(10.0, 30.0, 20.0)] == bins.filling


def test_readings_half_a_minute_apart_are_a_bin_each() -> None:
    """Five readings have closed four bins, which are known as single readings."""
    bins = filled(lambda gone_s: gone_s, 2.0, period_s=30.0)

    assert [0.0, 30.0, 60.0, 90.0] == bins.times_s
    assert [0.0, 30.0, 60.0, 90.0] == bins.salinities
    assert bins.sparse
    assert not filled(lambda _: 34.0, 2.0, period_s=5.0).sparse


def test_no_more_than_seven_minutes_are_kept() -> None:
    """After ten minutes the newest bin is of 590 s and the oldest of 170 s, 420 s before."""
    bins = filled(lambda _: 34.0, 10.0)

    assert (590.0, 170.0, 43) == (bins.now_s, bins.times_s[0], len(bins.times_s))


@pytest.mark.parametrize("silent_s, first_s", [(90.0, 0.0), (91.0, 41.0 + 90.0)])
def test_a_silence_of_more_than_a_minute_and_a_half_forgets_what_was_before(
    silent_s: float, first_s: float
) -> None:
    """From the bin of 40 s to one 90 s later is watched; 91 s later nobody knows the course."""
    bins = PlaceBins()
    for n in range(5):
        bins.add(10.0 * n, (47.0, 24.0, 34.0))
    for n in range(3):
        bins.add(40.0 + silent_s + 10.0 * n, (1.0, 24.0, 0.5))

    assert first_s == bins.times_s[0]


@pytest.mark.parametrize(
    "per_minute, rests", [(0.0, True), (0.18, True), (0.22, False), (-0.22, False)]
)
def test_salinity_rests_while_half_and_half_hardly_differ(
    per_minute: float, *, rests: bool
) -> None:
    """Six bins and six of two minutes are 70 s apart.

    The limit at 34 is 0.6 % of it, 0.204, and the step from bin to bin.  So 0.18 in a minute is
    0.21, within 0.204 + 0.03; and 0.22 in a minute is 0.257, more than 0.204 + 0.037.
    """
    bins = filled(lambda gone_s: 34.0 + per_minute * (gone_s - 130.0) / 60.0, 2.2)

    assert rests == bins.at_rest(0.0, 120.0)


def test_nothing_rests_that_was_hardly_watched() -> None:
    """Of three minutes, 0.7 is 126 s: two are too short and two and a half are enough."""
    assert not filled(lambda _: 34.0, 2.0).at_rest(0.0, 180.0)
    assert filled(lambda _: 34.0, 2.5).at_rest(0.0, 180.0)
    assert not PlaceBins().at_rest(0.0, 60.0)


@pytest.mark.parametrize("span_s, took_s", [(60.0, 48.0), (200.0, 160.0)])
def test_the_way_of_a_ramp_takes_eight_tenths_of_it(span_s: float, took_s: float) -> None:
    """A ramp of a minute takes 48 s from a tenth to nine tenths; of 200 s, 160 s."""
    bins = filled(lambda gone_s: ramp(gone_s, span_s=span_s), 6.5)

    assert took_s == pytest.approx(bins.took_s(10.0, 30.0), abs=0.5)


@pytest.mark.parametrize("at_s", [120.0, 123.0, 127.0])
@pytest.mark.parametrize("lag_s", [5.0, 10.0, 15.0])
def test_the_way_of_a_jump_takes_what_its_cell_takes_and_at_most_a_bin_more(
    at_s: float, lag_s: float
) -> None:
    """A first-order lag goes from a tenth to nine tenths in ln 9 = 2.197 of its constants."""
    took_s = filled(lambda gone_s: behind(gone_s, at_s, lag_s), 5.0).took_s(10.0, 30.0)

    assert 2.197 * lag_s - 1.0 <= took_s <= 2.197 * lag_s + 10.0


@pytest.mark.parametrize("at_s, took_s", [(120.0, 8.0), (125.0, 16.0)])
def test_what_jumps_in_no_time_takes_eight_tenths_of_the_bins_that_hide_it(
    at_s: float, took_s: float
) -> None:
    """Between two bins it is a line of 10 s; in the middle of one it is a line of two bins."""
    bins = filled(lambda gone_s: 10.0 + 20.0 * (gone_s >= at_s), 5.0)

    assert took_s == pytest.approx(bins.took_s(10.0, 30.0))


@pytest.mark.parametrize("jump_s, took_s", [(90.1, 25.3), (105.0, 43.6), (118.0, 41.2)])
def test_between_single_readings_a_jump_is_a_straight_line(jump_s: float, took_s: float) -> None:
    """Read each half minute, a jump is at v and at w afterwards, with lines between.

    Just after a reading: v = 1 - exp(-3) = 0.95, so 0.8 / 0.95 * 30 s = 25.3 s.  In the middle:
    v = 0.777, w = 1 - exp(-4.5) = 0.989, so from 0.1 / 0.777 * 30 s = 3.9 s to 30 s +
    (0.9 - 0.777) / (0.989 - 0.777) * 30 s = 47.4 s.  Two before one: v = 0.181, w = 0.959, so
    from 16.5 s to 57.7 s.
    """
    bins = filled(lambda gone_s: behind(gone_s, jump_s), 6.0, period_s=30.0)

    assert took_s == pytest.approx(bins.took_s(10.0, 30.0), abs=0.2)


def test_a_way_that_was_not_gone_takes_no_time() -> None:
    """What rests at 10 has gone nowhere, neither to 10 nor to 30."""
    assert [0.0, 0.0] == [filled(lambda _: 10.0, 5.0).took_s(10.0, end) for end in (10.0, 30.0)]


def test_only_what_was_seen_to_begin_has_jumped() -> None:
    """A fall in a second from 30 to 0.4 is a jump; from water of 34, which was not seen, none."""
    bins = filled(lambda gone_s: 30.0 if gone_s < 120.0 else 0.4, 4.0)

    assert bins.jumped(30.0, 0.4, 45.0)
    assert not bins.jumped(34.0, 0.4, 45.0)
    assert not filled(ramp, 5.0).jumped(10.0, 30.0, 45.0)


def test_noise_is_the_usual_step_and_never_more_than_two_per_cent() -> None:
    """Steps of 0.2 about 34 are noise of 0.2; of a jump between two bins, only 2 % of 10."""
    assert 0.2 == pytest.approx(
        filled(lambda gone_s: 34.0 + 0.2 * (gone_s % 20.0 >= 10.0), 3.0).salinity_noise()
    )
    bins = filled(lambda gone_s: 34.0 if gone_s < 10.0 else 10.0, 0.4)

    assert 0.02 * 10.0 == pytest.approx(bins.salinity_noise())
    assert 0.02 * 14.0 == pytest.approx(bins.noise())
    assert 0.0 == PlaceBins().noise()


def test_times_ago_are_counted_from_the_newest_bin() -> None:
    """Of bins at 0 to 290 s whose salinity is their time, 60 to 80 s ago are 210 to 230."""
    bins = filled(lambda gone_s: gone_s - gone_s % 10.0, 5.0)

    assert 290.0 == bins.now_s
    assert [210.0, 220.0, 230.0] == bins.between(bins.salinities, 60.0, 80.0)
    assert [280.0, 290.0] == bins.after(270.0)
    assert 280.0 == bins.salinity_now
    bins.keep_newest(1)

    assert ([290.0], [290.0]) == (bins.times_s, bins.salinities)
