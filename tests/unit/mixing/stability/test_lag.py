"""Salinity from a thermometer that is behind the conductivity cell, and from one that is not."""

from __future__ import annotations

import math

import gsw
import numpy as np
import numpy.typing as npt
import pytest

from daemon.entries import Flag, Reading
from daemon.mixing.stability.cells import CELL_S, Cells, OpenCell, add_reading, close_cell
from daemon.mixing.stability.detector import Stabilised, Stability
from daemon.mixing.stability.lag import Lag, learn_lag, match_channels
from tests.unit.mixing.stability.test_detector import AT, POUR_S, mix, of_kind, record, run

Floats = npt.NDArray[np.float64]

SALINITY = 33.0
EVERY_S = 2.0


def cycling(t_s: Floats, *, swing_K: float, period_s: float, lag_s: float) -> Floats:
    """Return what a first-order instrument makes of water that a thermostat keeps at 24 °C.

    By the textbook response of a first-order lag to a sine, long after its beginning.
    """
    turn = 2.0 * math.pi / period_s
    size = swing_K / math.sqrt(1.0 + (turn * lag_s) ** 2)
    return np.asarray(24.0 + size * np.sin(turn * t_s - math.atan(turn * lag_s)))


def mixed_cells(
    minutes: float, *, thermometer_s: float, cell_s: float, swing_K: float = 0.4,
    period_s: float = 900.0, seed: int = 1,
) -> tuple[Cells, Floats]:  # fmt: skip
    """Return the cells of mixed water, and salinity in them as it was read."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, minutes * 60.0, EVERY_S)
    at_cell = cycling(t_s, swing_K=swing_K, period_s=period_s, lag_s=cell_s)
    told = cycling(t_s, swing_K=swing_K, period_s=period_s, lag_s=thermometer_s)
    c = gsw.C_from_SP(SALINITY, at_cell, 0.0) + rng.normal(0.0, 0.005, len(t_s))
    t = told + rng.normal(0.0, 0.003, len(t_s))
    cells, cell = Cells(), OpenCell(index=0)
    for now_s, one, other in zip(t_s.tolist(), c.tolist(), t.tolist(), strict=True):
        index = int(now_s // CELL_S)
        if index != cell.index:
            close_cell(cells, cell, index)
        add_reading(cell, now_s, one, other)
    raw = gsw.SP_from_C(c, t, 0.0)
    return cells, raw[: len(cells.index) * 15].reshape(-1, 15).mean(axis=1)


@pytest.mark.parametrize("lag_s", [45.0, 70.0, 100.0])
def test_a_slow_thermometer_is_detected_and_its_swings_taken_off(lag_s: float) -> None:
    """Salinity that a slow thermometer lets swing by tenths stands nearly still when matched."""
    cells, raw = mixed_cells(75.0, thermometer_s=lag_s, cell_s=0.5)

    assert cells.lag.behind * CELL_S == pytest.approx(lag_s, rel=0.15)
    assert np.ptp(raw[-30:]) > 0.15
    assert np.ptp(cells.salinity[-30:]) < 0.25 * np.ptp(raw[-30:])


def test_a_slow_cell_is_detected_too() -> None:
    """Where water reaches the cell late, it is temperature that is slowed."""
    cells, raw = mixed_cells(75.0, thermometer_s=0.5, cell_s=30.0, period_s=600.0)

    assert cells.lag.behind * CELL_S == pytest.approx(-30.0, rel=0.25)
    assert np.ptp(cells.salinity[-30:]) < 0.4 * np.ptp(raw[-30:])


@pytest.mark.parametrize("seed", range(6))
def test_water_of_even_temperature_tells_of_no_lag(seed: int) -> None:
    """Noise alone, and dissolution alone, are not taken for one."""
    cells, _ = mixed_cells(60.0, thermometer_s=10.0, cell_s=5.0, swing_K=0.0, seed=seed)
    assert abs(cells.lag.behind) < 0.1

    detector = Stability()
    run(record(mix(tau_s=600.0), 1.5, seed=seed), detector)
    assert abs(detector.cells.lag.behind) < 0.1


def test_what_keeps_up_is_left_as_it_was() -> None:
    """With no lag known, matching hands back what it was given, across gaps as well."""
    lag = Lag()
    for index, c, t in ((0, 10.0, 20.0), (1, 48.0, 25.0), (7, 3.0, 19.0)):
        assert match_channels(lag, index, c, t) == (c, t)
        learn_lag(lag, index, 30.0, t)


@pytest.mark.parametrize("behind", [-1.0, -0.3, 0.4, 2.0, 5.0])
def test_a_matched_value_lies_between_and_comes_to_the_new_one(behind: float) -> None:
    """Slowing overshoots nothing, slows by as much as it says, and ends at what is read."""
    lag = Lag(behind=behind)
    match_channels(lag, 0, 40.0, 20.0)
    learn_lag(lag, 0, 30.0, 20.0)
    way = []
    for index in range(1, 80):
        c, t = match_channels(lag, index, 50.0, 30.0)
        learn_lag(lag, index, 40.0, 30.0)
        way.append((50.0 - c) / 10.0 if behind > 0.0 else (30.0 - t) / 10.0)

    assert way == sorted(way, reverse=True)
    assert 0.0 <= way[-1] < 1e-4
    assert sum(way) == pytest.approx(abs(behind), rel=1e-3)


def test_a_slow_thermometer_and_a_thermostat_do_not_hold_the_call_back() -> None:
    """A mix in water that swings by 0.7 K, under a thermometer 80 s behind, is called in time.

    Swings must be seen first for a while; unmatched it is called 142 min after its end.
    """
    tau_s = 240.0
    over_s = POUR_S + tau_s * math.log(SALINITY / 0.1)
    t_s = np.arange(0.0, 3.5 * 3600.0, EVERY_S)
    warm = cycling(t_s, swing_K=0.35, period_s=720.0, lag_s=0.0)
    told = cycling(t_s, swing_K=0.35, period_s=720.0, lag_s=80.0)
    noise = np.random.default_rng(3).normal(0.0, 1.0, (2, len(t_s)))
    course = mix(tau_s)
    salinity = np.array([max(course(each), 0.02) for each in t_s.tolist()])
    c = np.round(gsw.C_from_SP(salinity, warm, 0.0) + 0.01 * noise[0], 3)
    t = np.round(told + 0.004 * noise[1], 3)
    s = np.nan_to_num(gsw.SP_from_C(c, t, 0.0))
    rows = [
        (now_s, Reading("vat", "a", AT, one, other, both, 0.2, Flag.PASS, {}))
        for now_s, one, other, both in zip(
            t_s.tolist(), c.tolist(), t.tolist(), s.tolist(), strict=True
        )
    ]

    found = run(rows)

    calls = of_kind(found, Stabilised)
    assert len(calls) == 1
    assert over_s <= calls[0] <= over_s + 35 * 60.0
    called = next(each for _, each in found if isinstance(each, Stabilised))
    assert called.salinity == pytest.approx(33.05, abs=0.05)
    assert called.reason["thermometer_behind_s"] == pytest.approx(80.0, abs=25.0)
