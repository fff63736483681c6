"""What a hub is shown is never long out of date, and never sent more often than is worth a row."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from daemon.publishing.mqtt.hub import picture as of_hub
from daemon.publishing.mqtt.hub.deadband import (
    HOLD_S,
    LASTS_S,
    LEAP,
    LEAP_HOLD_S,
    REFRESH_S,
    RETURNS_AN_HOUR,
    Deadband,
    Figure,
    rounded,
)
from daemon.publishing.mqtt.hub.feed import Gate
from daemon.publishing.mqtt.hub.picture import Picture

STEPS = st.sampled_from([0.0001, 0.01, 0.1, 1.0, 60.0])
VALUES = st.floats(-1e9, 1e9, allow_nan=False)
FIGURES = st.builds(
    lambda step, times, rises: Figure(step, step * times, rises),
    STEPS,
    st.integers(0, 5),
    st.booleans(),
)
READINGS = st.lists(
    st.tuples(st.floats(0.1, 40.0), st.none() | st.floats(-1e4, 1e4)), min_size=1, max_size=60
)


@given(VALUES, STEPS)
def test_a_rounded_figure_is_the_nearest_multiple_and_stays_so(value: float, step: float) -> None:
    """It is at most half a step away, and rounding it once more changes nothing."""
    once = rounded(value, step)

    assert abs(once - value) <= step / 2 + 1e-6 * step + abs(value) * 1e-12
    assert once == rounded(once, step)


@given(FIGURES, READINGS)
def test_what_is_shown_is_never_further_behind_than_the_deadband_for_long(
    figure: Figure, readings: list[tuple[float, float | None]]
) -> None:
    """From reading to reading: either it is near, or it was so less than the hold before."""
    gate, now_s, behind_since_s = Deadband({"x": figure}), 0.0, None
    unknown_since_s = math.inf
    for pause_s, value in readings:
        now_s += pause_s
        shown = gate.pass_moved({"x": value}, now_s)["x"]
        unknown_since_s = min(unknown_since_s, now_s) if value is None else math.inf
        if value is None:
            assert shown is None or now_s - unknown_since_s < LASTS_S
            behind_since_s = None
        elif shown is not None and abs(value - shown) <= figure.deadband + figure.step / 2:
            behind_since_s = None
        else:
            behind_since_s = now_s if behind_since_s is None else behind_since_s
            assert now_s - behind_since_s < HOLD_S


@given(FIGURES, READINGS)
def test_a_known_value_follows_another_only_after_the_hold(
    figure: Figure, readings: list[tuple[float, float | None]]
) -> None:
    """So that the rows of a day are bounded; a worse value and a leap may come sooner."""
    gate, now_s, changed_s = Deadband({"x": figure}), 0.0, -math.inf
    before: float | None = None
    for pause_s, value in readings:
        now_s += pause_s
        shown = gate.pass_moved({"x": value}, now_s)["x"]
        if shown != before:
            worse = figure.rises_at_once and before is not None and (shown or 0.0) > before
            leap = before is not None and abs((value or 0.0) - before) > LEAP * figure.deadband > 0
            hold_s = LEAP_HOLD_S if leap or before is None else HOLD_S
            assert shown is None or worse or now_s - changed_s >= hold_s
            changed_s, before = now_s, shown


@given(st.integers(RETURNS_AN_HOUR, 3 * RETURNS_AN_HOUR))
def test_a_figure_that_is_lost_again_and_again_comes_back_ever_more_slowly(times: int) -> None:
    """Soon at first, for a reply is lost now and then; at most once a minute after that."""
    gate, now_s, waits_s = Deadband({"x": Figure(0.1, 0.1)}), 0.0, []
    gate.pass_moved({"x": 1.0}, now_s)
    for _ in range(times):
        now_s += 2.0
        gate.pass_moved({"x": None}, now_s)
        now_s += LASTS_S
        assert gate.pass_moved({"x": None}, now_s)["x"] is None
        lost_s = now_s
        while gate.pass_moved({"x": 1.0}, now_s)["x"] is None:
            now_s += 1.0
        waits_s.append(now_s - lost_s)

    assert [LEAP_HOLD_S] * RETURNS_AN_HOUR == waits_s[:RETURNS_AN_HOUR]
    assert {HOLD_S} >= {*waits_s[RETURNS_AN_HOUR:]}


@given(st.floats(0.001, 10.0), st.floats(1.0, 1000.0))
def test_a_leap_is_shown_within_seconds(deadband: float, times: float) -> None:
    """Whoever pours salt sees it; what is within twenty deadbands may be noise, and waits."""
    gate = Deadband({"x": Figure(deadband / 2, deadband)})
    gate.pass_moved({"x": 0.0}, 0.0)
    moved = times * deadband
    shown = gate.pass_moved({"x": moved}, LEAP_HOLD_S)["x"]

    assert shown == (rounded(moved, deadband / 2) if moved > LEAP * deadband else 0.0)


@given(FIGURES, st.floats(-1e4, 1e4), st.floats(0.0, 1.0))
def test_a_small_change_is_shown_in_the_end(figure: Figure, value: float, share: float) -> None:
    """So that a figure which creeps is not left as it was for hours."""
    gate = Deadband({"x": figure})
    gate.pass_moved({"x": value}, 0.0)
    crept = value + share * figure.deadband
    shown = gate.pass_moved({"x": crept}, REFRESH_S)["x"]

    assert rounded(crept, figure.step) == shown


@given(FIGURES, READINGS)
def test_what_must_not_wait_takes_every_figure_along(
    figure: Figure, readings: list[tuple[float, float | None]]
) -> None:
    """At a change of phase or of alarms the figures are those of that moment."""
    gate, now_s = Deadband({"x": figure}), 0.0
    for pause_s, value in readings:
        now_s += pause_s
        shown = gate.pass_all({"x": value}, now_s)["x"]

        assert shown == (None if value is None else rounded(value, figure.step))


PICTURES = st.builds(
    lambda phase, alarms, salinity, advice: Picture(
        {"phase": phase, "alarms": alarms}, {"salinity": salinity}, {"advice": advice}
    ),
    st.sampled_from(["ready", "stale", None]),
    st.lists(st.sampled_from(["salt-low", "probe-fault"]), max_size=2),
    st.none() | st.floats(0.0, 40.0),
    st.none() | st.sampled_from(["add 12 g", "add 13 g"]),
)


@given(st.lists(st.tuples(st.floats(0.1, 40.0), PICTURES), min_size=1, max_size=40))
def test_a_change_of_phase_or_alarm_passes_at_once_with_all_that_is_unknown(
    looks: list[tuple[float, Picture]],
) -> None:
    """The words are always those of now; when they change, figures and sentences are too."""
    gate, now_s, before, unknown_since_s = Gate(), 0.0, None, math.inf
    for pause_s, picture in looks:
        now_s += pause_s
        sent = gate.take(picture, now_s)
        salinity = picture.figures["salinity"]
        unknown_since_s = min(unknown_since_s, now_s) if salinity is None else math.inf
        assert picture.words == {key: sent[key] for key in picture.words}
        assert sent["salinity"] is None or now_s - unknown_since_s < LASTS_S
        if picture.texts["advice"] is None:
            assert sent["advice"] is None
        if picture.words != before:
            exact = None if salinity is None else rounded(salinity, of_hub.FIGURES["salinity"].step)
            assert (exact, picture.texts["advice"]) == (sent["salinity"], sent["advice"])
        before = picture.words


@given(st.sampled_from([math.nan, math.inf, -math.inf]))
def test_what_is_no_number_is_unknown(value: float) -> None:
    """A hub would leave the old value in place."""
    gate = Deadband({"x": Figure(0.1, 0.1)})
    gate.pass_moved({"x": 3.0}, 0.0)

    assert {"x": 3.0} == gate.pass_moved({"x": value}, 1.0)
    assert {"x": None} == gate.pass_moved({"x": value}, 1.0 + LASTS_S)


@given(st.lists(st.floats(0.1, LASTS_S / 4), min_size=3, max_size=60))
def test_a_lost_reply_now_and_then_is_no_news(pauses: list[float]) -> None:
    """A probe that loses every second one is shown all the same, for a value comes each time."""
    gate, now_s = Deadband({"x": Figure(0.1, 0.1)}), 0.0
    gate.pass_moved({"x": 1.0}, now_s)
    for number, pause_s in enumerate(pauses):
        now_s += pause_s
        value = None if number % 2 else 1.0

        assert {"x": 1.0} == gate.pass_moved({"x": value}, now_s)
