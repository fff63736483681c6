"""Laws of evidence: what is missing makes nothing surer, and what agrees makes nothing wider."""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from calibration.drift import Course, Observation, assumed, begin
from calibration.gum import Row, expanded, standard
from daemon.entries import Phase
from daemon.mixing.batch.batch_state import BatchSettings, BatchState
from daemon.mixing.batch.verification import on_more_readings, on_stabilised
from daemon.mixing.stability.detector import Stabilised
from daemon.mixing.stability.level import Level

UNCERTAINTIES = st.floats(0.01, 2.0)
ROWS = (
    Row(expanded("value of lot A", 0.5, "mS/cm"), (0.01, 0.0, 0.0)),
    Row(standard("repeatability, point 1", 0.05, "mS/cm"), (0.01, 0.0, 0.0)),
)
LOTS = {"A": 0.0025, "B": 0.003, "C": 0.001}


def course() -> Course:
    """A cell constant that has just been calibrated in lot A."""
    return begin(ROWS, 1.0, {"A": LOTS["A"]}, assumed(0.5), 0.5)


@st.composite
def observations(draw: st.DrawFn) -> list[Observation]:
    """Checks in any lot, in the order of time, with any outcome."""
    days = sorted(draw(st.lists(st.floats(0.0, 400.0), min_size=1, max_size=12)))
    return [
        Observation(
            day,
            draw(st.floats(-0.05, 0.05)),
            draw(st.floats(1e-4, 0.01)),
            lot,
            LOTS[lot],
            draw(st.sampled_from([True, False, None])),
        )
        for day in days
        for lot in [draw(st.sampled_from(sorted(LOTS)))]
    ]


@given(observations())
def test_what_agrees_never_widens_and_what_contradicts_does(seen: list[Observation]) -> None:
    """Whatever came before, by the variance of the same moment."""
    followed = course()
    for each in seen:
        followed.to(each.days)
        before = followed.variance()
        agrees = followed.observe(each)
        after = followed.variance()

        assert math.isfinite(after)
        assert after > 0.0
        assert after <= before * (1.0 + 1e-9) if agrees else after >= before


@given(st.floats(0.0, 400.0), st.floats(0.0, 400.0))
def test_without_a_check_time_alone_widens(one: float, other: float) -> None:
    """The later, the less is known."""
    early, late = course(), course()
    early.to(min(one, other))
    late.to(max(one, other))

    assert early.variance() <= late.variance() * (1.0 + 1e-12)


@given(st.lists(st.tuples(st.booleans(), UNCERTAINTIES), min_size=1, max_size=40))
def test_a_level_is_as_uncertain_as_the_least_sure_of_its_readings(
    readings: list[tuple[bool, float]],
) -> None:
    """One reading whose worth nobody knows leaves no figure at all."""
    level = Level()
    for n, (known, u) in enumerate(readings):
        level.advance(10.0 * n, 34.0, u if known else None)
    level.advance(10.0 * len(readings), None)
    found = level.u_since(0.0)

    assert found == (max(u for _, u in readings) if all(k for k, _ in readings) else None)


@given(st.floats(30.0, 38.0), st.floats(0.001, 0.2), UNCERTAINTIES)
def test_a_missing_uncertainty_decides_nothing(salinity: float, noise: float, u: float) -> None:
    """No phase beyond verifying and no probability comes of it; readings then decide as ever."""
    settings = BatchSettings()
    waiting, known = BatchState(Phase.DISSOLVING, "b"), BatchState(Phase.DISSOLVING, "b")
    on_stabilised(waiting, Stabilised(salinity, noise, {}), None, 0.0, settings)

    assert (Phase.VERIFYING, None, None) == (
        waiting.phase,
        waiting.judgement.salinity_u,
        waiting.judgement.probability,
    )
    level = Level()
    for n in range(40):
        level.advance(10.0 * n, salinity, u)
    on_more_readings(waiting, level, 400.0, settings)
    on_stabilised(known, Stabilised(salinity, noise, {}), u, 0.0, settings)
    assert known.judgement.salinity_u == waiting.judgement.salinity_u
    assert known.phase is waiting.phase


@given(st.floats(30.0, 38.0), UNCERTAINTIES, UNCERTAINTIES)
def test_more_uncertainty_never_releases_or_refuses(
    salinity: float, one: float, more: float
) -> None:
    """What is undecided with one figure is undecided with a larger one."""
    verdicts = []
    for u in (one, one + more):
        state = BatchState(Phase.DISSOLVING, "b")
        settings = replace(BatchSettings(), homogeneity_ppt=0.0)
        on_stabilised(state, Stabilised(salinity, 0.01, {}), u, 0.0, settings)
        verdicts.append(state.phase)

    assert verdicts[1] in (verdicts[0], Phase.VERIFYING)
