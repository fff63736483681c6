"""The benchmark's own parts: the station beside the bare detector, clocks, limits, intervals."""

from __future__ import annotations

import numpy as np
import pytest

from tests.parts.weights import weights
from tests.research.stability import __main__ as command
from tests.research.stability import evaluation, report, second_generator
from tests.research.stability.batch_kinds import HELD_OUT, JUDGED, KINDS, NEVER, draw, pair, rows
from tests.research.stability.detector_run import detector_times_s, run_detector, run_station
from tests.research.stability.probe_model import Trace, traces
from tests.research.stability.tank_model import integrate, runs
from tests.research.stability.verdicts import Verdict

SPARSE_S = 4.0
"""Interval between readings above which a record is short enough for a test."""


def sparse(kind: str, first_seed: int, count: int = 24) -> list[Trace]:
    """Return the records of a kind whose readings come seldom."""
    found = traces([(kind, first_seed + k) for k in range(count)])
    return [trace for trace in found if SPARSE_S <= trace.every_s]


def test_the_station_calls_when_the_bare_detector_does() -> None:
    """On clean batches the whole station says `stabilised` within minutes of the detector."""
    compared = 0
    for trace in sparse("clean", 9_100_000)[:3]:
        bare, whole = [t_s for t_s, _ in run_detector(trace).calls], run_station(trace)
        assert len(whole) == len(bare)
        for one, other in zip(bare, whole, strict=True):
            assert abs(one - other) <= 300.0
            compared += 1

    assert compared > 0


def test_a_station_calls_nothing_while_its_pump_input_says_off() -> None:
    """The pump input of a trace reaches the detector through the station."""
    trace = next(
        each for each in sparse("never pumped", 9_200_000, 40) if not each.flowing[1:].any()
    )

    assert run_station(trace, with_pump=True) == []


def test_a_wall_clock_that_jumps_becomes_time_that_goes_on() -> None:
    """What replay makes of a jumping wall clock never runs back, and keeps near the true times."""
    jumped = sparse("wrong clock", 9_300_000)
    assert jumped

    for trace in jumped:
        away = trace.wall_s - trace.t_s
        times_s = np.array(detector_times_s(trace))
        assert (np.diff(times_s) >= 0.0).all()
        if np.ptp(away) > 0.0:
            step = int(np.argmax(np.abs(np.diff(away)))) + 1
            before = times_s[:step] - trace.t_s[:step]
            assert np.ptp(before) < 0.01


def test_a_clock_that_keeps_time_is_left_alone() -> None:
    """Other kinds keep their own times, to the last digit."""
    trace = traces([("noisy", 9_400_001)])[0]

    assert detector_times_s(trace) == trace.t_s.tolist()


@pytest.mark.parametrize("kind", ["clean", "two additions"])
def test_the_score_at_the_limit_in_use_is_the_detector(kind: str) -> None:
    """The verdict at the shipped limit, worked out in bulk, is that of the first call."""
    for trace in sparse(kind, 9_500_000)[:3]:
        found = command.at_limits(trace, (weights().limit,))

        (verdict,) = found.values()
        own = evaluation.evaluate_detector(trace)

        assert verdict.missed == own.missed
        assert verdict.delay_min == pytest.approx(own.delay_min)


def test_a_higher_limit_never_calls_sooner() -> None:
    """Along the limits of the operating curve the first call only comes later."""
    for trace in sparse("clean", 9_600_000)[:3]:
        delays = [
            np.inf if verdict.delay_min is None else verdict.delay_min
            for verdict in command.at_limits(trace, command.LIMITS).values()
            if not verdict.false
        ]

        assert delays == sorted(delays)


def test_the_interval_of_a_share_is_that_of_wilson() -> None:
    """Known values: 0 of 100 ends at 3.7 %, 5 of 100 spans 2.2 to 11.2 %."""
    assert report.interval(0, 100) == pytest.approx((0.0, 3.70), abs=0.01)
    assert report.interval(5, 100) == pytest.approx((2.15, 11.18), abs=0.01)


def test_the_table_counts_each_kind() -> None:
    """A row a kind, with hits, trials and a miss that makes the 90 % delay infinite."""
    verdicts = [
        Verdict("clean", false=False, missed=False, delay_min=9.0),
        Verdict("clean", false=True, missed=False, delay_min=None),
        Verdict("heap", false=False, missed=True, delay_min=None),
    ]

    lines = report.by_kind(verdicts).splitlines()

    assert [line.split(" | ")[0].strip("| ") for line in lines[2:]] == ["all", "clean", "heap"]
    assert "1 of 2: 50.0 %" in lines[3]
    assert "1 of 1: 100.0 %" in lines[4]
    assert "never" in lines[4]


def test_the_family_held_out_is_in_no_training() -> None:
    """Salt that ages is neither a kind trained on nor part of a pair, and no draw has it."""
    rng = np.random.default_rng(4)

    assert HELD_OUT not in KINDS
    assert HELD_OUT not in JUDGED
    assert not any(HELD_OUT in pair(rng) for _ in range(200))
    assert {draw(kind, rng)["stretch"] for kind in KINDS for _ in range(5)} == {1.0}
    assert draw(HELD_OUT, rng)["stretch"] != 1.0


def test_salt_that_ages_slows_down() -> None:
    """A share that ages dissolves sooner at first and later at the end than one that does not."""
    plain = draw("clean", np.random.default_rng(6)) | {
        "pour_s": 15.0, "coarse_share": 0.0, "grain_spread": 0.0, "grain_tau_s": 400.0,
        "grain_order": 1.0, "exchange_s": 20.0, "pours": 1.0, "plume": 0.0,
    }  # fmt: skip

    truth = integrate(rows([plain, plain | {"stretch": 0.6}]))

    at = int(plain["blank_s"] / 3.0)
    early, late = at + 40, at + 700
    assert truth.nook[1, early] > truth.nook[0, early]
    assert truth.nook[1, late] < truth.nook[0, late]


def test_a_pump_on_a_timer_runs_its_share() -> None:
    """A timer lets the pump run the first part of each period, and no timer always."""
    t_s = np.arange(0.0, 6000.0, 3.0)
    batch = rows([draw("clean", np.random.default_rng(1))])

    assert runs(batch, t_s).all()
    timed = batch | {"timer_s": np.array([600.0]), "timer_share": np.array([0.4])}
    assert runs(timed, t_s).mean() == pytest.approx(0.4, abs=0.01)
    assert batch["timer_s"][0] == NEVER


def test_how_far_wrong_calls_were_off_is_counted() -> None:
    """Of wrong calls alone, the middle distance and how many were far from the final value."""
    verdicts = [
        Verdict("heap", false=True, missed=None, delay_min=None, off=off)
        for off in (0.12, 0.15, 2.0)
    ]

    text = report.severity([*verdicts, Verdict("clean", false=False, missed=False, delay_min=9.0)])

    assert "at 3 wrong calls" in text
    assert "0.15" in text
    assert text.endswith("at 1")


@pytest.mark.parametrize("tau_s", [20.0, 300.0, 4000.0])
def test_a_store_dissolves_whole_and_in_its_time(tau_s: float) -> None:
    """By formula a store begins at nothing, ends whole, and lags its pouring by its own time."""
    age_s = np.arange(-10.0, 200.0 * tau_s, tau_s / 50.0)

    share = second_generator.dissolved(age_s, 60.0, tau_s)

    assert share[age_s <= 0.0].max() == 0.0
    assert (np.diff(share) >= -1e-12).all()
    assert share[-1] == pytest.approx(1.0, abs=1e-6)
    missing = float(np.trapezoid(1.0 - share[age_s >= 0.0], age_s[age_s >= 0.0]))
    assert missing == pytest.approx(tau_s + 30.0, rel=0.02)


def test_a_pump_that_stands_halts_what_dissolves() -> None:
    """By formula, salinity hardly moves while the pump stands, and goes on when it runs."""
    drawn = second_generator.course(["pump stops, restarts"], np.random.default_rng(2))
    t_s = np.arange(0.0, 3.0 * 3600.0)

    salinity, final, flowing = second_generator.mixed(drawn, t_s)

    off_s, on_s = (int(each) for each in drawn.off[0])
    assert not flowing[off_s + 1 : on_s].any()
    stood = salinity[on_s] - salinity[off_s]
    assert stood < 0.1 * (salinity[off_s] - salinity[off_s - 120])
    assert salinity[-1] - salinity[on_s] > 10.0 * stood
    assert salinity[-1] <= final[-1] + 1e-9


def test_two_faults_of_the_second_generator_are_both_there() -> None:
    """Readings are missing, conductivity repeats itself in the end, and no call is right then."""
    trace = second_generator.trace("dropouts + stuck probe", 60_500_000)

    there = np.isfinite(trace.conductivity)
    last = trace.conductivity[there][-200:]
    assert 0.02 < 1.0 - there.mean() < 0.6
    assert np.ptp(last) == 0.0
    assert not trace.over[there][-200:].any()


def test_pairs_of_the_second_generator_are_of_two_different_faults() -> None:
    """They are many, and no seed is that of a batch of one fault."""
    todo = second_generator.pair_jobs(300)

    assert all(len(set(kind.split(" + "))) == 2 for kind, _ in todo)
    assert len({kind for kind, _ in todo}) > 40
    assert not {seed for _, seed in todo} & {seed for _, seed in second_generator.jobs(12_000)}
