"""What each group of features contributed to a call, worked out by ablation at the call."""

from __future__ import annotations

from daemon.mixing.stability.cells import CELL_S, CELLS_KEPT
from daemon.mixing.stability.detector import Stabilised, Stability
from daemon.mixing.stability.features import FeatureState, feature_rows
from daemon.mixing.stability.network import GROUPS, ablation
from tests.parts.weights import weights
from tests.unit.mixing.stability.test_detector import POUR_S, mix, record, run


def test_contributions_are_those_of_the_whole_decision_while_it_is_kept() -> None:
    """Worked out at the call from the kept cells, as if each half minute had been ablated."""
    detector = Stability()
    rows = record(mix(), 1.6, every_s=4.0)
    found = run(rows, detector)
    (call,) = [each for _, each in found if isinstance(each, Stabilised)]
    state = FeatureState()
    decision: list[list[list[float]]] = []
    called = detector.drift_watch.since_index
    for at, index in enumerate(detector.cells.index):
        if detector.first_index <= index <= called:
            decision.append(feature_rows(state, detector.cells, at))

    assert ablation(weights(), decision) == call.reason["brought"]
    assert len(decision) > 20


def test_a_call_after_a_long_decision_still_says_what_groups_contributed() -> None:
    """More cells than are kept have gone by; those that are left are ablated."""
    course = mix(tau_s=3600.0)
    found = run(record(course, 8.0, every_s=10.0))

    times = [(t_s, each) for t_s, each in found if isinstance(each, Stabilised)]
    assert times
    t_s, call = times[0]
    assert t_s - POUR_S > CELLS_KEPT * CELL_S
    contributions = call.reason["brought"]
    assert isinstance(contributions, dict)
    assert set(GROUPS) == set(contributions)
    assert any(contributions.values())
