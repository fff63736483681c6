"""Has mixing stabilised: what may be called, what never, and what happens after."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, replace
from datetime import UTC, datetime

import gsw
import numpy as np
import pytest
from pydantic import TypeAdapter

from daemon.entries import Flag, Instant, Reading
from daemon.mixing.stability.call_reason import MOST_CONFIDENCE
from daemon.mixing.stability.detector import (
    Disturbed,
    Finding,
    Stabilised,
    Stability,
)
from tests.parts.weights import weights

AT = Instant(datetime(2026, 3, 14, 9, tzinfo=UTC), 0.0)
POUR_S = 600.0
Course = Callable[[float], float]


def reading(salinity: float, temperature_C: float, noise_mS_cm: float, step: float) -> Reading:
    """Return what a probe says in water of a salinity."""
    conductivity = float(gsw.C_from_SP(max(salinity, 0.02), temperature_C, 0.0)) + noise_mS_cm
    conductivity = max(0.0, round(round(conductivity / step) * step, 6))
    seen = float(gsw.SP_from_C(conductivity, temperature_C, 0.0))
    return Reading(
        "vat", "a", AT, conductivity, temperature_C,
        seen if math.isfinite(seen) else 0.0, 0.2, Flag.PASS, {},
    )  # fmt: skip


def missing() -> Reading:
    """Return a reading that did not come."""
    return Reading("vat", "a", AT, None, None, None, None, Flag.MISSING, {}, fault="no answer")


def mix(tau_s: float = 240.0, final: float = 33.0) -> Course:
    """Return a course: pure water, then salt that dissolves with one time constant."""
    return lambda t_s: final * (1.0 - math.exp(-max(t_s - POUR_S, 0.0) / tau_s)) + 0.05


def record(
    course: Course, hours: float, *, every_s: float = 2.0, noise: float = 0.01, seed: int = 1,
    step: float = 0.001,
) -> list[tuple[float, Reading]]:  # fmt: skip
    """Return the readings of a probe that follows `course`."""
    rng = np.random.default_rng(seed)
    times = np.arange(0.0, hours * 3600.0, every_s)
    warm = np.round(24.0 + rng.normal(0.0, 0.004, len(times)), 3)
    return [
        (t, reading(course(t), w, e, step))
        for t, w, e in zip(
            times.tolist(), warm.tolist(), rng.normal(0.0, noise, len(times)).tolist(), strict=True
        )
    ]


def run(
    rows: Iterable[tuple[float, Reading]], detector: Stability | None = None
) -> list[tuple[float, Finding]]:
    """Run a detector, armed when the salt goes in; forecasts included."""
    detector = detector or Stability()
    found: list[tuple[float, Finding]] = []
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
            detector.arm(t_s)
        found += [(t_s, each) for each in detector.advance(t_s, row, weights())]
    return found


def of_kind(found: list[tuple[float, Finding]], kind: type) -> list[float]:
    """Return the times of findings of one kind."""
    return [t_s for t_s, each in found if isinstance(each, kind)]


def test_a_clean_batch_is_called_once_and_in_time() -> None:
    """A clean mix is called after it is within 0.1 of its end, and within 25 min of that."""
    tau_s, final = 240.0, 33.0
    over_s = POUR_S + tau_s * math.log(final / 0.1)

    calls = of_kind(run(record(mix(tau_s, final), 2.0)), Stabilised)

    assert len(calls) == 1
    assert over_s <= calls[0] <= over_s + 25 * 60.0


def test_nothing_is_detected_before_arming() -> None:
    """Purified water at rest is steady for hours and gives no findings."""
    assert run(record(lambda _t: 0.05, 0.16)) == []


def test_pure_water_is_never_called_even_when_armed() -> None:
    """A reservoir that was armed but got no salt is not stabilised."""
    assert of_kind(run(record(lambda _t: 0.4, 2.0)), Stabilised) == []


def test_the_call_tells_level_and_reasons() -> None:
    """A call carries the level, its scatter, and figures that a person can check."""
    found = run(record(mix(), 2.0))

    call = next(each for _, each in found if isinstance(each, Stabilised))

    assert call.salinity == pytest.approx(33.05, abs=0.05)
    assert 0.0 < call.noise_u < 0.05
    assert json.loads(json.dumps(call.reason)) == call.reason
    assert call.reason["slope_low_per_h"] <= call.reason["slope_per_h"]  # type: ignore[operator]
    assert {"window_min", "remaining", "effective_samples", "brought", "pump"} <= set(call.reason)
    assert 0.95 < call.reason["confidence"] < 1.0  # type: ignore[operator]


def test_brine_that_passes_the_probe_first_does_not_hold_the_call_back() -> None:
    """Salinity that rises past its final value and falls back to it is called in time."""

    def passing(t_s: float) -> float:
        since = max(t_s - POUR_S, 0.0)
        return 33.05 - 33.0 * math.exp(-since / 90.0) + 0.02 * since * math.exp(-since / 240.0)

    over_s = POUR_S + next(s for s in range(600, 7200, 10) if passing(POUR_S + s) < 33.15)

    calls = of_kind(run(record(passing, 2.2, noise=0.006)), Stabilised)

    assert len(calls) == 1
    assert over_s <= calls[0] <= over_s + 34 * 60.0


def test_a_probe_stuck_in_mid_dissolution_is_never_called() -> None:
    """Exact repeats are no evidence of rest."""
    rows = record(mix(600.0), 3.0)
    at = next(k for k, (t, _) in enumerate(rows) if t > POUR_S + 1200.0)
    stuck = [(t, row if k < at else rows[at][1]) for k, (t, row) in enumerate(rows)]

    assert of_kind(run(stuck), Stabilised) == []


def test_a_conductivity_stuck_alone_is_never_called() -> None:
    """A live thermometer does not vouch for a dead conductivity channel."""
    rows = record(mix(600.0), 3.0)
    at = next(k for k, (t, _) in enumerate(rows) if t > POUR_S + 1500.0)
    held = rows[at][1].conductivity_mS_cm
    assert held is not None
    stuck = []
    for k, (t, row) in enumerate(rows):
        if k < at or row.temperature_C is None:
            stuck.append((t, row))
            continue
        seen = float(gsw.SP_from_C(held, row.temperature_C, 0.0))
        stuck.append(
            (t, Reading("vat", "a", AT, held, row.temperature_C, seen, 0.2, Flag.PASS, {}))
        )

    assert of_kind(run(stuck), Stabilised) == []


def test_a_probe_out_of_the_water_is_never_called() -> None:
    """A probe lifted into air in mid-dissolution reads near zero, steadily, and is not called."""
    course = mix(600.0)

    rows = record(lambda t: course(t) if t < POUR_S + 1800.0 else 0.02, 3.0)

    assert of_kind(run(rows), Stabilised) == []


def stopped_stream() -> list[tuple[float, Reading]]:
    """Return readings of a plateau without a gradual approach, and without flow noise."""
    course = mix(500.0)
    halt_s = POUR_S + 1100.0

    def stopped(t_s: float) -> float:
        return course(min(t_s, halt_s)) + 0.02 * max(t_s - halt_s, 0.0) / 3600.0

    return record(stopped, 3.0)


def test_a_stream_that_stops_abruptly_is_not_called_for_long() -> None:
    """The score never calls a stopped pump; rest alone does once it has lasted for 84 min.

    A mixed upper half at rest shows nothing else to one probe: a pump input is needed.
    """
    found = run(stopped_stream())

    assert [t for t in of_kind(found, Stabilised) if t < POUR_S + 1100.0 + 80 * 60.0] == []
    calls = [each for _, each in found if isinstance(each, Stabilised)]
    assert all(str(each.reason["rests_on"]).startswith("rest over 84 min") for each in calls)


def test_a_stream_that_stops_abruptly_is_never_called_where_a_pump_input_says_off() -> None:
    """However long it rests."""
    off = [(t_s, replace(row, pump=t_s < POUR_S + 1100.0)) for t_s, row in stopped_stream()]

    assert of_kind(run(off), Stabilised) == []


def test_a_heap_that_still_dissolves_is_not_called() -> None:
    """Salt on the bottom that takes an hour to dissolve holds the call back."""
    course = mix(200.0, 32.0)

    def heap(t_s: float) -> float:
        return course(t_s) + 1.0 * (1.0 - math.exp(-max(t_s - POUR_S, 0.0) / 3600.0))

    assert of_kind(run(record(heap, 2.3)), Stabilised) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_waiting_does_not_wear_uncertainty_away(seed: int) -> None:
    """A bed of salt that takes half a day is not called while more than 0.15 is still to come.

    Far longer than any record of the training: no call may come of time alone.  The last of it
    rises no faster than water that evaporates.
    """
    course, slow_s = mix(200.0, 30.0), 5.0 * 3600.0

    def bed(t_s: float) -> float:
        return course(t_s) + 3.0 * (1.0 - math.exp(-max(t_s - POUR_S, 0.0) / slow_s))

    near_s = POUR_S + slow_s * math.log(3.0 / 0.15)
    calls = of_kind(run(record(bed, 12.0, every_s=8.0, seed=seed)), Stabilised)

    assert [t for t in calls if t < near_s] == []


def test_a_probe_that_is_stuck_for_half_a_day_is_never_called() -> None:
    """However long a dead probe repeats itself, it is not believed."""
    rows = record(mix(600.0), 12.0, every_s=8.0)
    at = next(k for k, (t, _) in enumerate(rows) if t > POUR_S + 1800.0)
    stuck = [(t, row if k < at else rows[at][1]) for k, (t, row) in enumerate(rows)]

    assert of_kind(run(stuck), Stabilised) == []


def test_a_gap_is_not_flat_time() -> None:
    """Readings that stop in mid-dissolution and come back do not bring a call at once."""
    course = mix(1500.0)
    rows = [
        (t, row if not 1800.0 < t - POUR_S < 3600.0 else missing())
        for t, row in record(course, 2.2)
    ]

    calls = of_kind(run(rows), Stabilised)

    assert [t for t in calls if t < POUR_S + 1500.0 * math.log(33.0 / 0.1)] == []


@pytest.mark.parametrize("every_s", [0.25, 1.0, 5.0, 10.0])
def test_the_sampling_rate_moves_the_call_by_minutes_only(every_s: float) -> None:
    """Readings every 0.25 to 10 s, of a good probe, bring the call at about the same time."""
    tau_s = 240.0
    over_s = POUR_S + tau_s * math.log(33.0 / 0.1)

    calls = of_kind(run(record(mix(tau_s), 1.5, every_s=every_s, noise=0.004)), Stabilised)

    assert len(calls) == 1
    assert over_s <= calls[0] <= over_s + 35 * 60.0


@pytest.mark.parametrize(
    "change,cause", [(0.4, "salt"), (2.0, "salt"), (-0.35, "water"), (-2.0, "water")]
)
def test_an_addition_after_the_call_is_noticed_and_decided_again(change: float, cause: str) -> None:
    """Salt or water of 0.3 or more gives `disturbed` within 10 min, and then a new call."""
    course, added_s = mix(), 2.0 * 3600.0

    def again(t_s: float) -> float:
        return course(t_s) + change * (1.0 - math.exp(-max(t_s - added_s, 0.0) / 120.0))

    found = run(record(again, 3.8))
    disturbed = [(t, each) for t, each in found if isinstance(each, Disturbed)]
    calls = of_kind(found, Stabilised)

    assert [each.cause for _, each in disturbed] == [cause]
    assert added_s < disturbed[0][0] < added_s + 600.0
    assert disturbed[0][1].change * change > 0.0
    assert len(calls) == 2
    assert calls[1] > disturbed[0][0]


def test_a_slow_drift_after_the_call_is_called_a_drift() -> None:
    """A level that wanders off over an hour is a drift, not an addition, however often it is said.

    After each report the watch goes on from the level then.
    """
    course = mix()

    rows = record(lambda t: course(t) - 0.4 * max(t - 7200.0, 0.0) / 3600.0, 3.2)

    assert [e.cause for _, e in run(rows) if isinstance(e, Disturbed)] == ["drift", "drift"]


def test_nothing_is_called_within_minutes_of_an_arming() -> None:
    """Water that rested for an hour, and is then exchanged, is not called on what it was."""
    decides = Stability()
    rows = record(mix(), 2.5, every_s=3.0)
    for t_s, row in rows:
        decides.advance(t_s, row, weights())
    last_s = rows[-1][0]

    decides.arm(last_s)
    soon = [
        each
        for k in range(1, 90)
        for each in decides.advance(last_s + 3.0 * k, rows[-1 - k][1], weights())
    ]

    assert [each for each in soon if isinstance(each, Stabilised)] == []


def test_water_that_drifted_away_is_watched_for_half_an_hour_before_it_is_called_again() -> None:
    """A lid was off until a person closed it; a call within minutes would be a hasty one."""
    course = mix()

    def closed_again(t_s: float) -> float:
        """Let water go into the air for a while."""
        return course(t_s) + 0.15 * min(max(t_s - 9000.0, 0.0), 5400.0) / 3600.0

    found = run(record(closed_again, 6.0, every_s=5.0))

    drifts = [t for t, e in found if isinstance(e, Disturbed) and e.cause == "drift"]
    calls = of_kind(found, Stabilised)
    assert drifts
    assert not [t for t in calls if drifts[0] < t < drifts[0] + 1800.0]
    assert [t for t in calls if t > drifts[0]]
    stated = [e.reason["confidence"] for _, e in found if isinstance(e, Stabilised)]
    assert all(isinstance(each, float) and 0.98 < each <= MOST_CONFIDENCE for each in stated)


def test_evaporation_is_no_disturbance() -> None:
    """A rise of 0.3 a day is followed in silence."""
    course = mix()

    found = run(record(lambda t: course(t) * (1.0 + 0.01 * t / 86400.0), 12.0, every_s=10.0))

    assert of_kind(found, Disturbed) == []


def test_a_restored_snapshot_goes_on_as_if_never_stopped() -> None:
    """State written as JSON and read back is equal, and gives the same findings after."""
    rows = record(mix(), 1.6, every_s=4.0)
    adapter = TypeAdapter(Stability)
    whole = Stability()
    expected = run(rows, whole)
    for cut in (100, 700, 801, len(rows) - 300):
        first = Stability()
        found = run(rows[:cut], first)

        restored = adapter.validate_python(json.loads(json.dumps(asdict(first))))

        assert restored == first
        assert found + run(rows[cut:], restored) == expected
        assert restored == whole


def test_state_stays_bounded() -> None:
    """Ten hours leave no more state behind than three."""
    detector = Stability()
    run(record(mix(), 10.0, every_s=5.0), detector)

    assert len(json.dumps(asdict(detector))) < 80_000


def test_failed_and_missing_readings_change_nothing() -> None:
    """Values that quality control failed are not looked at."""
    rows = record(mix(), 1.6)
    wild = Reading("vat", "a", AT, 90.0, 24.0, 60.0, 0.2, Flag.FAIL, {})
    mixed = [
        (t, each) for k, (t, row) in enumerate(rows)
        for each in ((row, wild, missing()) if k % 3 == 0 else (row,))
    ]  # fmt: skip

    assert run(mixed) == run(rows)
