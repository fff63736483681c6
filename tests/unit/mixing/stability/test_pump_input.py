"""What a pump input does to the decision: off forbids it, a restart begins it again."""

from __future__ import annotations

import pytest

from daemon.entries import Reading
from daemon.mixing.stability.detector import Disturbed, Stabilised
from tests.unit.mixing.stability.test_detector import POUR_S, mix, of_kind, record, run


def test_a_pump_reported_off_forbids_the_call() -> None:
    """While a pump input says "off" nothing is called, however still the water."""
    rows = [(t, _with_pump(row, running=t < POUR_S + 900.0)) for t, row in record(mix(), 2.0)]

    assert of_kind(run(rows), Stabilised) == []


@pytest.mark.parametrize("noise_seed", range(4))
def test_a_pump_input_calls_no_sooner(noise_seed: int) -> None:
    """With a pump said to run all the time each call comes when it comes without: never sooner."""
    rows = record(mix(), 1.6, seed=noise_seed)
    pumped = [(t, _with_pump(row, running=True)) for t, row in rows]
    late = [(t, _with_pump(row, running=t > POUR_S + 2400.0)) for t, row in rows]

    alone, known, started = (
        [t for t, each in run(some) if isinstance(each, Stabilised)]
        for some in (rows, pumped, late)
    )

    assert alone
    assert alone == known
    assert started[0] >= alone[0]


def test_a_restarted_pump_disturbs_the_call() -> None:
    """After the call, a pump that stopped and starts again begins a new decision."""
    rows = [(t, _with_pump(row, running=not 7200.0 < t < 7800.0)) for t, row in record(mix(), 3.2)]

    found = run(rows)

    assert [e.cause for _, e in found if isinstance(e, Disturbed)] == ["pump"]
    assert len(of_kind(found, Stabilised)) == 2


def _with_pump(row: Reading, *, running: bool) -> Reading:
    return Reading(
        row.reservoir, row.probe, row.at, row.conductivity_mS_cm, row.temperature_C,
        row.salinity, row.salinity_u, row.flag, row.tests, pump=running,
    )  # fmt: skip
