"""A second decision keeps nothing of the first but the noise."""

from __future__ import annotations

import pytest

from daemon.mixing.stability.detector import Disturbed, Stabilised, Stability
from daemon.mixing.stability.level import Level
from tests.parts.weights import weights
from tests.unit.mixing.stability.test_detector import POUR_S, record


def decided(detector: Stability, pours: list[tuple[float, float]], hours: float) -> list[str]:
    """Let water go to each salinity at its hour; return what is found, forecasts apart.

    Salt arms the detector, as the station does; purified water does not.
    """

    def course(t_s: float) -> float:
        level = 0.05
        for hour, final in pours:
            gone_s = t_s - hour * 3600.0 - POUR_S
            if gone_s > 0.0:
                level = final + (level - final) * 2.718281828 ** (-gone_s / 240.0)
        return level

    armed = [hour * 3600.0 + POUR_S + 10.0 for hour, final in pours if final > 1.0]
    found = []
    for t_s, row in record(course, hours, every_s=5.0):
        if armed and t_s >= armed[0]:
            detector.arm(t_s)
            armed.pop(0)
        for each in detector.advance(t_s, row, weights()):
            if isinstance(each, Stabilised):
                found.append(f"steady {each.salinity:.1f}")
            elif isinstance(each, Disturbed):
                found.append(each.cause)
    return found


def test_a_batch_of_34_does_not_forbid_one_of_10_after_it() -> None:
    """The highest level of one decision is none of the next, in which 10 looked like air."""
    pours = [(0.0, 34.0), (1.5, 0.02), (2.2, 10.0)]

    assert ["steady 34.0", "water", "steady 10.0"] == decided(Stability(), pours, 4.0)


def test_new_salt_ends_what_a_drift_had_begun() -> None:
    """A call by slope alone is for water to which nothing was added since it drifted away."""
    detector = Stability(armed_at_s=0.0, settled=True, scores=[1.0, 1.0], drifted_index=40)
    detector.arm(3600.0)

    assert (None, [], False) == (detector.drifted_index, detector.scores, detector.settled)


def test_everything_of_a_decision_is_that_of_a_fresh_one_after_arming() -> None:
    """But for the cells, what they taught of noise and pump, and a level that a call replaces."""
    used, fresh = Stability(), Stability()
    decided(used, [(0.0, 34.0)], 1.5)
    used.drifted_index, used.settled = 3, True
    used.arm(6000.0)
    fresh.cells = used.cells
    fresh.arm(6000.0)
    kept = {"cells", "noise", "open", "pump_off_index", "pump_on_index", "drift_watch"}

    for name in set(Stability.__slots__) - kept:
        assert repr(getattr(fresh, name)) == repr(getattr(used, name)), name


@pytest.mark.parametrize("salinity", [20.0, None])
def test_a_level_that_was_cleared_is_a_fresh_one(salinity: float | None) -> None:
    """Also in the bin that was open: the first bin back from the bench is of water alone."""
    used = Level()
    for n in range(18):
        used.advance(2.0 * n, 33.0, 0.1)
    used.clear()
    fresh = Level()
    for t_s in (1000.0, 1004.0, 1009.9, 1010.0, 1020.0):
        assert fresh.advance(t_s, salinity, 0.2) == used.advance(t_s, salinity, 0.2)

    assert fresh == used
    assert ([1005.0, 1015.0], [20.0, 20.0]) == (used.times_s, used.medians) or salinity is None
