"""A slice of the stability benchmark, small enough for every run of the tests."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from tests.parts.weights import weights
from tests.research.stability import (
    baselines,
    oracle_bound,
    second_generator,
    stated_confidence,
    training,
    weights_export,
)
from tests.research.stability.batch_kinds import FAST, KINDS, draw, rows
from tests.research.stability.detector_run import run_detector
from tests.research.stability.evaluation import (
    Job,
    evaluate_detector,
    evaluate_second,
    jobs,
    stream,
)
from tests.research.stability.feature_records import Record, feature_record
from tests.research.stability.probe_model import traces
from tests.research.stability.tank_model import STEP_S, integrate
from tests.research.stability.verdicts import judge, tally

SLICE_SEED = 9_000_000
BATCHES_OF_A_KIND = 4
LONGEST_INTERVAL_S = 10.0
SHORTEST_INTERVAL_S = 1.0


def test_few_wrong_calls_and_few_misses_on_a_slice_of_all_kinds() -> None:
    """Of some 36 batches at most 2 are called wrongly, and at most 20 % of those due missed."""
    verdicts = [
        evaluate_detector(trace)
        for trace in stream(jobs(SLICE_SEED, BATCHES_OF_A_KIND, 0))
        if SHORTEST_INTERVAL_S <= trace.every_s <= LONGEST_INTERVAL_S
    ]

    result = tally(verdicts)

    assert result.batches > 32
    assert sum(v.false for v in verdicts) <= 2
    assert result.missed <= 0.20
    assert result.median_min <= 20.0


def test_plain_batches_are_called_soon_and_never_wrongly() -> None:
    """Fine salt stirred well before a good probe: none wrong, none missed, half within 11 min."""
    plain = traces([(FAST, 9_050_000 + k) for k in range(12)])

    result = tally([evaluate_detector(trace) for trace in plain])

    assert result.false == 0.0
    assert result.missed == 0.0
    assert result.median_min <= 11.0


def test_another_generator_is_called_rightly_too() -> None:
    """Of 24 batches by formula, on which nothing was trained, at most one is wrong or missed."""
    result = evaluate_second(second_generator.jobs(24))

    assert sum(v.false for v in result) <= 1
    assert sum(bool(v.missed) for v in result) <= 1
    assert tally(result).median_min <= 20.0


@pytest.mark.parametrize(
    "gather", [stated_confidence.first_records, stated_confidence.second_records]
)
def test_the_confidence_stated_is_what_comes(gather: Callable[[list[Job]], list[Record]]) -> None:
    """Where it says nearly surely, mixing is over; where it says hardly, it is not."""
    todo = (
        jobs(SLICE_SEED + 60_000, 3, 0)
        if gather is stated_confidence.first_records
        else second_generator.jobs(36)
    )

    found = stated_confidence.confidence_of(gather(todo))

    assert len(found.at_calls) > 25
    assert found.over[found.stated > 0.98].mean() > 0.98
    assert found.over[found.stated > 0.9].mean() > 0.95
    assert found.over[found.stated < 0.1].mean() < 0.05
    assert 0.97 < found.at_calls.mean() < 1.0
    assert found.right.mean() > 0.93


def test_training_sees_what_the_detector_sees() -> None:
    """The first call of the detector falls where the scores of the bulk record say.

    Where rest alone called sooner, the score would not have called before.
    """
    by_score = 0
    for trace in traces([("clean", 11), ("noisy", 12), ("dropouts", 13), ("bubbling", 14)]):
        found = feature_record(trace)
        (scores,) = training.scores(weights_export.network_of(weights()), [found])
        calls = run_detector(trace).calls[:1]

        expected = training.calls(found, scores, weights().limit)[:1]

        if calls and calls[0][1].reason["rests_on"] != "score":
            assert [t_s for t_s in expected if t_s <= calls[0][0]] == []
        else:
            assert [t_s for t_s, _ in calls] == expected
            by_score += len(calls)
    assert by_score >= 2


@pytest.mark.parametrize("kind", KINDS[2::4])
def test_a_batch_is_drawn_alike_from_a_seed(kind: str) -> None:
    """The same kind and seed give the same feature_record, alone or among others."""
    alone = traces([(kind, 77)])[0]

    again = traces([("heap", 78), (kind, 77)])[1]

    np.testing.assert_allclose(alone.conductivity, again.conductivity, rtol=1e-9)
    assert alone.over_s == again.over_s or math.isnan(alone.over_s)


def test_salt_is_neither_made_nor_lost() -> None:
    """Once poured, dissolved and undissolved salt keep their sum, and all of it is found."""
    batch = draw("heap", np.random.default_rng(5)) | {"evaporation_per_h": 0.0}
    poured = int((batch["blank_s"] + 2.0 * batch["pour_s"]) / STEP_S) + 1

    truth = integrate(rows([batch]))

    np.testing.assert_allclose(truth.final[0, poured:], truth.final[0, -1], atol=2e-3)
    assert truth.final[0, -1] == pytest.approx(batch["target"], rel=0.05)
    assert truth.nook[0, -1] == pytest.approx(truth.final[0, -1], abs=0.1)


def test_a_call_before_the_end_is_false_and_one_after_is_late() -> None:
    """Judging: wrong calls, right calls with their delay, and misses."""
    t_s = np.arange(0.0, 7200.0, 60.0)
    over = t_s >= 3600.0

    early = judge("clean", [1800.0], t_s, over, 3600.0)
    late = judge("clean", [4200.0], t_s, over, 3600.0)
    missed = judge("clean", [], t_s, over, 3600.0)

    assert early.false
    assert (late.false, late.delay_min) == (False, 10.0)
    assert missed.missed
    assert tally([late, missed]).late_min == math.inf


def test_the_bound_is_quicker_for_a_better_probe() -> None:
    """The less noise, the sooner a heap can be ruled out."""
    clean, noisy = traces([("clean", 3), ("noisy", 3)])

    quick, slow = oracle_bound.delay_min(clean), oracle_bound.delay_min(noisy)

    assert quick is not None
    assert slow is not None
    assert quick <= slow


def test_cao_and_rhinehart_is_near_one_at_rest() -> None:
    """On white noise the ratio keeps near 1, as the paper has it."""
    rng = np.random.default_rng(0)
    still = baselines.Series(np.arange(0.0, 30000.0, 10.0), 33.0 + 0.01 * rng.normal(size=3000))

    _, ratio = baselines.cao_rhinehart(still, 20.0)

    assert 0.9 < float(np.median(ratio[np.isfinite(ratio)])) < 1.6
