"""The forecast of the release: near the truth once there is evidence, words before."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.mixing.stability.detector import ForecastBasis, Stabilised
from daemon.mixing.stability.release_forecast import Forecast, release_forecast
from tests.parts.weights import weights
from tests.unit.mixing.stability.test_detector import POUR_S, mix, of_kind, record, run


def released_in(basis: ForecastBasis) -> Forecast:
    """Return the forecast that a finding gives."""
    head = weights().head
    assert head is not None
    return release_forecast(head, basis)


def test_forecasts_come_once_a_minute_and_near_the_truth() -> None:
    """In mid-dissolution the forecast finds the final value of a one-mode course."""
    found = run(record(mix(tau_s=600.0), 1.4, noise=0.005))
    times = of_kind(found, ForecastBasis)
    middle = next(
        each for t, each in found if isinstance(each, ForecastBasis) and t > POUR_S + 3000.0
    )
    final = released_in(middle).final

    assert np.diff(times).min() >= 59.0
    assert middle.remaining > 0.1
    assert final is not None
    assert final.low < 33.05 < final.high
    assert final.middle == pytest.approx(33.05, abs=0.4)


def test_before_anything_is_known_the_forecast_says_so_in_words() -> None:
    """Just after the salt the reason is the salt; no number is given."""
    found = run(record(mix(tau_s=600.0), 0.3))
    first = released_in(next(each for _, each in found if isinstance(each, ForecastBasis)))

    assert (None, None) == (first.ready_min, first.final)
    assert first.note.startswith("no forecast yet: ")
    assert first.note.endswith("watched for only 1 min")


def test_the_forecast_of_a_plain_course_finds_the_call() -> None:
    """Once two time constants have passed, the middle is near the call, and never in the past."""
    tau_s, final = 240.0, 33.0

    found = run(record(mix(tau_s, final), 2.0))

    (call_s,) = of_kind(found, Stabilised)
    spans = [
        (t_s, released_in(each).ready_min)
        for t_s, each in found
        if isinstance(each, ForecastBasis) and POUR_S + 2.0 * tau_s < t_s < call_s
    ]
    off_min = [t_s / 60.0 + each.middle - call_s / 60.0 for t_s, each in spans if each is not None]
    assert len(off_min) > 5
    assert max(abs(each) for each in off_min) < 15.0
    assert all(0.5 <= each.low <= each.middle <= each.high for _, each in spans if each is not None)
