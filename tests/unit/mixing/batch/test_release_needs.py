"""What a release will need besides time, said before the water is steady."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import Age, BatchState, SecondReading
from daemon.mixing.batch.release_needs import release_needs
from tests.parts.stories import BATCH

NOW_S = 90_000.0


def a_batch(**facts: object) -> BatchState:
    """A batch that mixes at 24 degrees."""
    state = BatchState(phase=Phase.DISSOLVING)
    state.temperature_C = 24.0
    for name, value in facts.items():
        setattr(state, name, value)
    return state


def test_a_plain_batch_needs_nothing() -> None:
    """Whatever is not known yet is not asked for."""
    assert "" == release_needs(a_batch(), 34.0, 0.2, NOW_S, BATCH)
    assert "" == release_needs(a_batch(), None, None, NOW_S, BATCH)
    warm = replace(BATCH, temperature_range_C=(25.0, 27.0))
    assert "" == release_needs(a_batch(temperature_C=None), 34.0, 0.2, NOW_S, warm)


@pytest.mark.parametrize(
    "salinity, u, needs",
    [
        (36.2, 0.2, "release then needs a correction, heading for 36.2 ppt as it is"),
        (31.0, 0.2, "release then needs a correction, heading for 31.0 ppt as it is"),
        (35.1, 0.2, ""),
        (36.2, None, ""),
        (36.2, 2.0, ""),
    ],
)
def test_a_correction_is_forecast_only_with_proof(
    salinity: float, u: float | None, needs: str
) -> None:
    """Beyond the limits by more than the forecast and the probe can be off together."""
    assert needs == release_needs(a_batch(), salinity, u, NOW_S, BATCH)


def test_what_a_person_did_already_is_not_asked_for() -> None:
    """A confirmation and a second reading count once they are there."""
    asking = replace(BATCH, needs_confirmation=True, needs_second_reading=True)
    done = a_batch(confirmed_by="keeper", second=SecondReading(34.0, 0.1, "bench meter"))

    assert "" == release_needs(done, 34.0, 0.2, NOW_S, asking)
    assert "release then needs a confirmation and a second reading" == release_needs(
        a_batch(), 34.0, 0.2, NOW_S, asking
    )


def test_water_that_is_too_old_needs_a_confirmation() -> None:
    """Twenty-five hours after its first release, whatever was confirmed before."""
    old = a_batch(age=Age(released_s=NOW_S - 25.0 * 3600.0), confirmed_by="keeper")

    assert "release then needs a confirmation" == release_needs(old, 34.0, 0.2, NOW_S, BATCH)
