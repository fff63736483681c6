"""The release forecast in small: what it learns from, how it is trained, and how good it is."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.mixing.stability.release_forecast import Forecast, Span
from daemon.mixing.stability.release_head import quantiles
from daemon.weights_file import load_head
from tests.parts.weights import weights
from tests.research.stability import __main__ as research
from tests.research.stability import release_judgement, release_records, release_training
from tests.research.stability.detector_run import run_detector
from tests.research.stability.evaluation import jobs
from tests.research.stability.release_judgement import ForecastRun
from tests.research.stability.release_records import Decision
from tests.research.stability.release_training import Minutes

SEED = 9_400_000
PLAIN = ("clean", "plateau below target", "temperature", "bubbling", "noisy")


def decisions(kinds: tuple[str, ...], count: int = 1) -> list[Decision]:
    """Return the decisions of some batches of the first generator."""
    return release_records.decisions(jobs(SEED, count, 0, kinds))


def test_what_is_learned_from_is_what_the_detector_gives() -> None:
    """In bulk and one reading at a time: the same inputs at the same moments, the same call."""
    (trace,) = release_records.long_traces([("clean", SEED + 1)])
    (found, *_) = release_records.decisions_of([replace(trace, added_s=math.nan)])

    played = run_detector(trace)
    call_s = played.calls[0][0]
    bases = [(t_s, basis) for t_s, basis in played.forecasts if t_s < call_s]

    assert call_s == found.call_s
    assert [t_s for t_s, _ in bases] == found.t_s.tolist()
    own = np.array([basis.inputs for _, basis in bases])
    np.testing.assert_allclose(own, found.inputs, atol=0.02)
    assert found.final == pytest.approx(played.calls[0][1].salinity, abs=0.1)


def test_forecasts_hold_what_they_state_on_a_slice() -> None:
    """Of plain batches of either generator: the middle near at half way, the interval right."""
    head = load_head()
    runs = release_judgement.first_runs(jobs(SEED, 3, 0, PLAIN), head)
    runs += release_judgement.second_runs(jobs(SEED, 3, 0, PLAIN), head)

    called = [run for run in runs if not math.isnan(run.call_s)]
    found = [each for run in called if (each := release_judgement.share_of(run, 0.0, 1.0))]
    off = release_judgement.errors_at(called, 0.5)

    assert len(called) > 24
    assert len(off) > 20
    assert float(np.median(off)) < 6.0
    assert 0.6 < float(np.nanmean([each.inside for each in found])) <= 1.0
    assert 0.6 < float(np.nanmean([each.final_inside for each in found])) <= 1.0
    assert "| 40 to 60 % |" in release_judgement.by_share(runs)


def test_the_gradient_of_the_loss_is_that_of_its_differences() -> None:
    """Moving each number that comes out a little changes the loss as the gradient says."""
    rng = np.random.default_rng(3)
    out = rng.normal(size=(6, 2, 3)).astype(np.float32)
    target = rng.normal(size=(6, 2)).astype(np.float32)
    known_to = np.full((6, 2), np.inf, np.float32)
    known_to[0, 0] = target[0, 0]
    _, gradient = release_training.loss_gradient(out, target, known_to)

    for k in range(out[0].size):
        step = np.zeros(out[0].size, np.float32)
        step[k] = 1e-3
        up, _ = release_training.loss_gradient(out + step.reshape(2, 3), target, known_to)
        down, _ = release_training.loss_gradient(out - step.reshape(2, 3), target, known_to)
        np.testing.assert_allclose((up - down) / 2e-3, gradient.reshape(6, -1)[:, k], atol=2e-3)


def test_a_record_that_ended_pulls_no_quantile_that_lies_beyond_it() -> None:
    """It says only that the call is later."""
    out = np.full((1, 2, 3), 5.0, np.float32)
    out[:, :, 0] = -10.0  # the lower quantile just below the middle
    target = np.array([[1.0, 5.0]], np.float32)
    _, gradient = release_training.loss_gradient(out, target, np.array([[1.0, np.inf]], np.float32))

    assert (gradient[:, 0] == 0.0).all()


def test_training_finds_the_quantiles_of_a_known_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Targets that scatter about a line come back with their 10, 50 and 90 % quantiles."""
    monkeypatch.setattr(release_training, "TOGETHER", 512)
    monkeypatch.setattr(release_training, "RATE", 0.02)
    rng = np.random.default_rng(5)
    x = rng.normal(size=(12_000, 3)).astype(np.float32)
    spread = rng.normal(size=(12_000, 2)).astype(np.float32)
    target = 3.0 + x[:, :1] + 0.5 * spread
    minutes = Minutes(x, target, np.full_like(target, np.inf), np.ones(12_000, np.float32))

    head = release_training.train(minutes, hidden=8, epochs=30)
    found = np.array([quantiles(head, each.astype(np.float64)) for each in x[:200]])

    expected = 3.0 + x[:200, :1, None] + 0.5 * np.array([-1.2816, 0.0, 1.2816])
    assert float(np.abs(found - expected).mean()) < 0.1


def test_stretching_makes_the_intervals_hold_what_they_are_to_hold() -> None:
    """On the batches that they are stretched on, whatever they held before."""
    found = decisions(("clean", "noisy", "temperature"), 4)
    head = release_training.stretched(load_head(), found)

    x = np.concatenate([each.inputs for each in found])
    before = release_training.all_quantiles(load_head(), x)
    after = release_training.all_quantiles(head, x)

    np.testing.assert_allclose(before[:, :, 1], after[:, :, 1])
    assert not np.allclose(before[:, :, 0], after[:, :, 0])
    assert all((head.stretch > 0.0).ravel())


def test_the_commands_make_records_and_a_head(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Decisions of a few batches, and a file that is read again, with its checksum."""
    for name, value in {
        "OF_A_KIND": 1,
        "PAIRS": 2,
        "CONDITIONED": 2,
        "HIDDEN": 4,
        "EPOCHS": 1,
    }.items():
        monkeypatch.setattr(release_training, name, value)
    stored, to = str(tmp_path / "decisions.pickle"), tmp_path / "head.npz"

    for words in (
        ["forecast-records", "--batches", "8", "--records", stored],
        ["forecast-train", "--records", stored, "--to", str(to)],
    ):
        monkeypatch.setattr(sys, "argv", ["stability", *words])
        research.main()

    assert weights().mark == load_head(to).mark


def a_run(call_min: float, *forecasts: tuple[float, Span | None]) -> ForecastRun:
    """Return a run of a batch with forecasts at some minutes."""
    return ForecastRun(
        "clean", 0.0, call_min * 60.0, 9000.0, 34.0,
        [at * 60.0 for at, _ in forecasts],
        [Forecast(span, Span(33.8, 34.0, 34.1), "") for _, span in forecasts],
    )  # fmt: skip


def test_held_early_and_error_are_counted_as_they_are_named() -> None:
    """Twenty minutes: one interval that holds the call, one that begins after it, one reason."""
    run = a_run(20.0, (5.0, Span(10.0, 14.0, 20.0)), (10.0, Span(11.0, 13.0, 30.0)), (15.0, None))

    found = release_judgement.share_of(run, 0.0, 1.0)

    assert found is not None
    assert (2 / 3, 0.5, 0.5, 14.5) == (found.said, found.inside, found.before, found.width_min)
    assert (1.0, 0.0) == (found.final_inside, found.final_off)
    assert [3.0] == release_judgement.errors_at([run], 0.5)
    assert release_judgement.errors_at([run], 0.75) == []
