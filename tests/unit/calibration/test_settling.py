"""How a point settles, for whoever watches: the routine's own test, and never silence for rest."""

from __future__ import annotations

import math

from calibration.settling import MOST_POINTS, Settling, SettlingState
from calibration.steadiness import Indication, rest, window


def watched(seconds: int, decay_s: float = 10.0, share: float = 0.01) -> Settling:
    """A point that settles for so long, with a reading each second."""
    settling = Settling(0.01)
    for t_s in range(seconds):
        value = 50.0 * (1.0 + share * math.exp(-t_s / decay_s))
        settling.take(Indication(1000.0 + t_s, value, 22.0))
    return settling


def test_nothing_has_come_before_the_first_value() -> None:
    """Faults alone are no values."""
    settling = Settling(0.01)
    assert SettlingState.WAITING is settling.state
    settling.take(Indication.missing(5.0))

    assert SettlingState.WAITING is settling.state
    assert [None] == [each.conductivity_mS_cm for each in settling.points]


def test_a_point_settles_by_the_test_of_the_routine() -> None:
    """Reading by reading it is steady where `rest` of the same window is."""
    settling, readings = Settling(0.01), []
    for t_s in range(200):
        reading = Indication(float(t_s), 50.0 * (1.0 + 0.01 * math.exp(-t_s / 25.0)), 22.0)
        readings.append(reading)
        settling.take(reading)
        expected = rest(window(readings), 0.01)
        assert expected == settling.at_rest
        assert (expected is not None and expected.steady) == (
            settling.state is SettlingState.SETTLED
        )
    assert SettlingState.SETTLED is settling.state


def test_a_point_is_not_settled_before_a_minute() -> None:
    """However still it is; and its interval is not known until then."""
    settling = watched(59, share=0.0)

    assert SettlingState.SETTLING is settling.state
    assert {None} == {each.low_mS_cm for each in settling.points}


def test_a_probe_that_falls_silent_is_silent_and_not_settled() -> None:
    """Its curve has a gap, and its next value is judged again."""
    settling = watched(300)
    assert SettlingState.SETTLED is settling.state
    settling.take(Indication.missing(1300.0))
    assert (SettlingState.SILENT, None) == (settling.state, settling.at_rest)
    assert settling.points[-1].conductivity_mS_cm is None
    settling.take(Indication(1301.0, 50.0, 22.0))

    assert SettlingState.SETTLED is settling.state


def test_the_interval_of_a_settled_point_is_narrow_and_about_its_value() -> None:
    """Within the tenth of a per cent by which it may still move."""
    last = watched(300).points[-1]
    assert last.low_mS_cm is not None
    assert last.high_mS_cm is not None

    assert last.low_mS_cm <= 50.0 <= last.high_mS_cm
    assert last.high_mS_cm - last.low_mS_cm < 0.1


def test_an_hour_of_settling_keeps_its_newest_points() -> None:
    """What is kept is bounded, and the time waited goes on."""
    settling = watched(3600)

    assert MOST_POINTS == len(settling.points)
    assert 3599.0 == settling.waited_s
