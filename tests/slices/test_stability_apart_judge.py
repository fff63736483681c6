"""The judge of the held-out families: what it counts, on runs that are written down."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from daemon.entries import Reading
from daemon.mixing.stability.detector import Disturbed, Recovered, Stabilised
from tests.research.stability import apart_judgement, outcomes
from tests.research.stability.apart_judgement import Runs, must_reach, report
from tests.research.stability.outcomes import Outcome, outcome
from tests.research.stability.probe_model import Trace
from tests.research.stability.sources import SOURCES
from tests.research.stability.verdicts import Verdict

EVERY_S = 10.0
SHORT_RECORD = 252
FINAL = 33.0


def steady(hours: float, over_from_s: float = 0.0) -> Trace:
    """Return a record of water at its final salinity, mixed from a time on."""
    t_s = np.arange(0.0, hours * 3600.0, EVERY_S)
    n = len(t_s)
    return Trace(
        "clean", 5, t_s, np.full(n, 50.0), np.full(n, 24.0), t_s >= over_from_s,
        np.full(n, FINAL, np.float32), np.ones(n, bool), 0.0, over_from_s, float("nan"), EVERY_S,
        t_s,
    )  # fmt: skip


class Scripted:
    """A detector that says at each time what was written down for it."""

    said: dict[float, Stabilised | Disturbed | Recovered]
    blocks: Callable[[float], bool]

    def __init__(self) -> None:
        self.settled = False
        self.cells = SimpleNamespace(index=[-1])
        self.t_s = 0.0

    def arm(self, t_s: float, began_by: str = "") -> None:
        """Begin."""

    def advance(self, t_s: float, reading: Reading, weights: object) -> tuple[object, ...]:
        """Say what was written down."""
        self.t_s = t_s
        self.cells.index.append(int(t_s))
        if t_s not in self.said:
            return ()
        each = self.said[t_s]
        self.settled = isinstance(each, Stabilised)
        return (each,)

    def reinstate(self) -> None:
        """Let the call hold again."""
        self.settled = True

    def blocked_by(self) -> tuple[str, ...]:
        """Return whether something blocks now."""
        return ("the probe repeats itself",) if self.blocks(self.t_s) else ()


Script = Callable[..., None]


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Script:
    """Write down what the detector says at which time, and when something blocks a call."""

    def write(
        said: dict[float, Stabilised | Disturbed | Recovered],
        blocks: Callable[[float], bool] = lambda _t_s: False,
    ) -> None:
        class Detector(Scripted):
            pass

        Detector.said, Detector.blocks = said, staticmethod(blocks)
        monkeypatch.setattr(outcomes, "Stability", Detector)

    return write


def call(salinity: float = FINAL) -> Stabilised:
    """Return a call that states a salinity."""
    return Stabilised(salinity, 0.01, {})


DISTURBED = Disturbed("water", -0.3, {})
RECOVERED = Recovered(FINAL, 0.05, 10.0)


def test_water_steady_for_90_min_that_nothing_forbids_to_call_is_listed(script: Script) -> None:
    """Two hours without a call count, 80 min do not, nor 2 h of which 80 min are left uncalled."""
    script({})
    assert outcome(steady(2.0)).never_free
    assert not outcome(steady(80.0 / 60.0)).never_free
    assert not outcome(steady(2.0, over_from_s=2500.0)).never_free
    script({2400.0: call()})
    assert not outcome(steady(2.0)).never_free


def test_an_interlock_excuses_and_is_listed_apart(script: Script) -> None:
    """Where something blocks once an hour, only the list with interlocks has the batch."""
    script({}, lambda t_s: t_s % 3600.0 == 1800.0)

    found = outcome(steady(3.0))

    assert (found.never_free, found.never_steady) == (False, True)


def test_a_gap_begins_steadiness_again(script: Script) -> None:
    """Readings that do not come for two minutes in the middle of two hours excuse, too."""
    script({})
    trace = steady(2.0)
    trace.conductivity[360:372] = np.nan

    assert not outcome(trace).never_steady


def test_disturbances_while_mixing_is_over_are_counted_by_the_hour(script: Script) -> None:
    """Two in the time of a right call, one of them taken back within a quarter of an hour."""
    script(
        {3600.0: call(), 7200.0: DISTURBED, 7800.0: RECOVERED, 10800.0: DISTURBED, 14400.0: call()}
    )

    found = outcome(steady(5.0))

    assert (found.disturbed, found.taken_back) == (2, 1)
    assert found.stable_h == pytest.approx(1.0 + 3000.0 / 3600.0 + 1.0, abs=0.02)


def test_a_call_reinstated_while_mixing_goes_on_is_a_wrong_call(script: Script) -> None:
    """What was taken for a bubble, and was water that came, counts as a call that was wrong."""
    script({3600.0: call(), 7300.0: DISTURBED, 7900.0: RECOVERED})
    trace = steady(3.0)
    trace.over[720:], trace.final[720:] = False, FINAL - 0.5

    found = outcome(trace)

    assert (found.verdict.false, found.far, found.taken_back) == (True, True, 0)


def test_salt_that_comes_is_a_true_disturbance(script: Script) -> None:
    """Where mixing is no longer over, the detector is blamed for nothing."""
    script({3600.0: call(), 7300.0: DISTURBED})
    trace = steady(3.0)
    trace.over[720:] = False

    assert outcome(trace).disturbed == 0


def test_calls_are_judged_by_time_salinity_and_pump(script: Script) -> None:
    """A wrong first call far off, then one at the right time that states a wrong salinity."""
    script({600.0: call(32.8), 1200.0: DISTURBED, 5400.0: call(33.2)})
    trace = steady(3.0, over_from_s=3600.0)
    trace.flowing[:100] = False

    found = outcome(trace)

    assert (found.verdict.false, found.far, found.first_wrong) == (True, True, True)
    assert found.off == pytest.approx([0.2], abs=1e-5)
    assert found.misstated == pytest.approx([0.2], abs=1e-5)
    assert (found.while_standing, found.wrong_standing) == (1, 1)


def made(kind: str, *, false: bool = False, delay: float | None = 12.0) -> Outcome:
    """Return an outcome of a kind."""
    return Outcome(
        Verdict(kind, false, None if false else delay is None, delay), 7, ("", ""),
        off=[0.2] if false else [], first_wrong=false, stable_h=10.0,
    )  # fmt: skip


def test_the_table_says_what_is_reached() -> None:
    """Limits are met, missed or bettered, and a pump input that brings wrong calls is named."""
    good = [Runs(made("clean"), made("clean", delay=14.0), None) for _ in range(9)]
    bad = Runs(made("noisy"), made("noisy", false=True), None)
    bad.without.disturbed = 1

    rows = {line.split(" | ")[0]: line for line in must_reach([*good, bad], 0).splitlines()}

    assert rows["| wrong calls, %"].endswith("| aim |")
    assert "kinds with more wrong calls with a pump input than without" in "".join(rows)
    worse = next(line for line in rows.values() if "more wrong calls" in line)
    assert "noisy" in worse
    assert worse.endswith("| NO |")
    disturbed = next(line for line in rows.values() if "disturbances" in line)
    assert "10.0 (noisy)" in disturbed
    assert disturbed.endswith("| NO |")


def test_the_lists_name_kind_and_seed() -> None:
    """Wrong calls with how far off they were, and water never called, can be run again."""
    wrong, never = made("heap", false=True), made("clean", delay=None)
    never.never_free = never.never_steady = True

    text = report([Runs(wrong, wrong, None), Runs(never, never, None)], 1)

    assert "Called wrongly: heap 7 (off 0.20)" in text
    assert "Never called, steady for 90 min: clean 7" in text


@pytest.mark.parametrize("name", SOURCES)
def test_every_generator_can_be_judged(name: str) -> None:
    """Each gives as many jobs as were wanted, each with a record and, of several, an origin."""
    source = SOURCES[name]

    singles, pairs = source.singles(12, source.first_seed), source.pairs(3, source.first_seed)

    assert (len(singles), len(pairs)) == (12, 3)
    assert len(set(singles + pairs)) == 15
    assert all(source.origin(singles[0])) == (name in {"apart", "families"})
    if name != "first":
        (trace,) = source.traces(singles[:1])
        assert len(trace.t_s) > 100


def test_a_batch_is_run_three_ways() -> None:
    """Without a pump input, with one, and through the whole station."""
    sparse = ("clean", SOURCES["apart"].first_seed + SHORT_RECORD)

    (runs,) = apart_judgement.run_some([sparse], "apart", through_station=True)

    assert runs.station is not None
    assert runs.without.verdict.kind == runs.station.verdict.kind == "clean"
    assert runs.without.seed == runs.with_pump.seed == sparse[1]
