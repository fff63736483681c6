"""Water at rest is called in bounded time, by a second path that no network can prevent."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from daemon.mixing.stability.detector import Stabilised, Stability
from daemon.mixing.stability.familiarity import FIGURES, Envelope
from daemon.mixing.stability.second_path import AGREES
from tests.parts.weights import weights
from tests.research.stability import second_generator
from tests.research.stability.batch_kinds import KINDS
from tests.research.stability.resting import STEADY_MIN, objecting, resting
from tests.unit.mixing.stability.test_detector import POUR_S, mix, record

TAU_S, FINAL = 240.0, 33.0
OVER_S = POUR_S + TAU_S * math.log(FINAL / 0.1)
SCATTER_MS_CM = 0.0007 * 50.0
"""0.07 % of what a probe reads in seawater."""


STILL_RISING = ("heap", "slow dissolver")
"""Kinds whose last tenth rises no faster than what evaporates, for longer than an hour."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_batch_is_called_within_90_min_of_steady_record(kind: str) -> None:
    """Where no interlock forbids it, and though the network never calls.

    Nor may it say for ever that mixing goes on; of those that still rise it may, and is right.
    """
    odds = AGREES if kind in STILL_RISING else -math.inf
    found = [resting(second_generator.trace(kind, 270_000 + k, 6600.0), odds) for k in range(2)]

    assert [] == [each for each in found if each.due and each.minutes > STEADY_MIN]
    # A pump that never ran leaves nothing due, a probe that stuck and dropouts bring interlocks.
    undue = ("never pumped", "stuck probe", "dropouts")
    assert kind in undue or any(each.due for each in found)


@pytest.mark.parametrize("every_s, seed", [(1.0, 1), (5.0, 2), (10.0, 3), (30.0, 4), (30.0, 5)])
def test_a_plain_batch_of_wide_scatter_is_called_under_a_network_that_objects(
    every_s: float, seed: int
) -> None:
    """Through the whole detector, at 0.07 % scatter; the reason says what the call rests on."""
    detector, against, calls = Stability(), objecting(weights()), []
    rows = record(mix(TAU_S, FINAL), 2.7, every_s=every_s, noise=SCATTER_MS_CM, seed=seed)
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
            detector.arm(t_s)
        calls += [
            (t_s, each)
            for each in detector.advance(t_s, row, against)
            if isinstance(each, Stabilised)
        ]

    ((t_s, call),) = calls
    assert 0.0 < (t_s - OVER_S) / 60.0 < STEADY_MIN
    assert 33.05 == pytest.approx(call.salinity, abs=0.05)
    assert str(call.reason["rests_on"]).startswith("rest over 84 min, ")
    assert "it had not passed its limit" == call.reason["score_did_not_decide"]
    assert call.reason["slope_low_per_h"] < call.reason["slope_high_per_h"]  # type: ignore[operator]
    assert 0.0 < call.reason["margin"] < 0.1  # type: ignore[operator]


def test_readings_unlike_any_that_were_taught_are_left_to_the_second_path() -> None:
    """The score would have called an hour sooner; the reason names what is strange."""
    strange = np.full(len(FIGURES), 50.0)
    strange[FIGURES.index("readings")] = -2.0
    unlike = replace(weights(), envelope=Envelope(np.full(len(FIGURES), -50.0), strange))
    times = {}
    for name, used in (("familiar", weights()), ("strange", unlike)):
        detector = Stability()
        for t_s, row in record(mix(TAU_S, FINAL), 2.5, every_s=5.0):
            if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
                detector.arm(t_s)
            for each in detector.advance(t_s, row, used):
                if isinstance(each, Stabilised):
                    times[name] = t_s, each.reason

    assert times["strange"][0] > times["familiar"][0] + 1200.0
    assert "score" == times["familiar"][1]["rests_on"]
    assert (
        "the readings are unlike any that it was taught: how often the probe is read"
        == times["strange"][1]["score_did_not_decide"]
    )
