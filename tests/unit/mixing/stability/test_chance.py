"""The chance that mixing is over: when it is shown, what holds it back, and what it never does."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import asdict, replace
from itertools import pairwise

import pytest

from daemon.entries import Reading
from daemon.mixing.stability.call_reason import MOST_CONFIDENCE
from daemon.mixing.stability.cells import CELL_S
from daemon.mixing.stability.chance import (
    AblationMemory,
    Chance,
    chance_now,
    shown_chance,
    waits_for,
)
from daemon.mixing.stability.detector import DWELL, Stabilised, Stability
from daemon.mixing.stability.familiarity import RECENT
from daemon.mixing.stability.features import FEATURE_NAMES, FeatureState, feature_rows
from daemon.mixing.stability.held_back import phrase
from daemon.mixing.stability.network import GROUPS, ablation, contributions
from tests.parts.weights import weights
from tests.unit.mixing.stability.test_detector import POUR_S, missing, mix, record, run

Row = tuple[float, Reading]
Looks = list[tuple[float, Chance | None]]


def look(rows: Iterable[Row], detector: Stability, *, began_by: str = "salt") -> Looks:
    """Return what is shown at each reading of a detector that is armed when salt goes in."""
    memory, shown = AblationMemory(), []
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
            detector.arm(t_s, began_by)
        detector.advance(t_s, row, weights())
        shown.append((t_s, chance_now(detector, t_s, weights(), memory)))
    return shown


def said(shown: Looks, first_s: float = 0.0, last_s: float = 1e9) -> list[Chance]:
    """Return what is shown within a time, without the times at which nothing is."""
    return [each for t_s, each in shown if each is not None and first_s <= t_s <= last_s]


def with_pump(rows: list[Row], off_s: float, on_s: float) -> list[Row]:
    """Return readings with a pump input that says off for a time."""
    return [(t_s, replace(row, pump=not off_s <= t_s < on_s)) for t_s, row in rows]


def test_the_chance_is_shown_from_salt_to_the_call_and_at_no_other_time() -> None:
    """Nothing before the salt, no number within 5 min of it, then one, and none after the call."""
    rows, detector = record(mix(), 2.0, every_s=4.0), Stability()

    shown = look(rows, detector)

    (called_s,) = [t_s for t_s, each in run(rows) if isinstance(each, Stabilised)]
    assert [] == said(shown, last_s=POUR_S)
    assert {None} == {each.over for each in said(shown, last_s=POUR_S + 280.0)}
    numbers = [each.over for each in said(shown, POUR_S + 340.0, called_s - 4.0)]
    assert len(numbers) > 50
    assert None not in numbers
    assert numbers[0] is not None
    assert numbers[-1] is not None
    assert numbers[0] < 0.02
    assert 0.9 < numbers[-1] < 1.0
    assert [] == said(shown, first_s=called_s)


def test_at_most_two_things_hold_it_back_and_at_least_one_does() -> None:
    """Whoever waits always learns for what."""
    shown = said(look(record(mix(), 1.5, every_s=4.0), Stability()))

    assert {1, 2} == {len(each.held_back_by) for each in shown}
    assert all(
        each.held_back_by[0] != each.held_back_by[-1]
        for each in shown
        if len(each.held_back_by) > 1
    )


def test_it_changes_once_in_half_a_minute() -> None:
    """Between two closed cells the chance and its reasons stay."""
    shown = look(record(mix(), 1.0, every_s=4.0), Stability())

    changes = [later_s for (_, one), (later_s, other) in pairwise(shown) if one != other]
    assert changes
    assert {True} == {t_s % CELL_S < 4.0 for t_s in changes if t_s > POUR_S + 30.0}


def test_looking_changes_nothing_of_a_decision() -> None:
    """Findings and whole state are the same to the last digit, looked at or not."""
    rows = record(mix(), 1.5, every_s=4.0)
    alone, watched = Stability(), Stability()
    findings = run(rows, alone)
    memory, found = AblationMemory(), []
    for t_s, row in rows:
        if watched.armed_at_s is None and t_s >= POUR_S + 10.0:
            watched.arm(t_s)
        found += [(t_s, each) for each in watched.advance(t_s, row, weights())]
        chance_now(watched, t_s, weights(), memory)

    assert findings
    assert findings == found
    assert asdict(alone) == asdict(watched)


def test_a_look_that_forgot_what_was_worked_out_shows_the_same() -> None:
    """As after a restart: the ablation comes from the cells that are kept."""
    rows, detector, memory = record(mix(), 0.5, every_s=4.0), Stability(), AblationMemory()
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
            detector.arm(t_s, "salt")
        detector.advance(t_s, row, weights())
        kept = chance_now(detector, t_s, weights(), memory)

    assert kept is not None
    assert kept == chance_now(detector, rows[-1][0], weights(), AblationMemory())


def test_what_holds_it_back_is_weighed_by_the_ablation_of_the_whole_decision() -> None:
    """Worked out a half minute at a time, or all at once: the same contributions."""
    rows, detector, memory = record(mix(), 0.45, every_s=4.0), Stability(), AblationMemory()
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= POUR_S + 10.0:
            detector.arm(t_s, "salt")
        detector.advance(t_s, row, weights())
        chance_now(detector, t_s, weights(), memory)
    state = FeatureState()
    whole = ablation(
        weights(),
        (
            feature_rows(state, detector.cells, at)
            for at, index in enumerate(detector.cells.index)
            if index >= detector.first_index
        ),
    )

    assert memory.layers is not None
    assert whole == contributions(weights(), memory.layers)
    assert set(GROUPS) == set(whole)


@pytest.mark.parametrize("silence", ["no readings", "failed readings"])
def test_a_probe_that_fails_or_is_silent_takes_it_away(silence: str) -> None:
    """Within 90 s of its last value nothing is shown any more."""
    rows, detector = record(mix(), 0.5, every_s=4.0), Stability()
    shown = look(rows, detector)
    last_s = rows[-1][0]
    assert shown[-1][1] is not None

    later = [last_s + 4.0 * k for k in range(1, 60)]
    memory = AblationMemory()
    found = []
    for t_s in later:
        if silence == "failed readings":
            detector.advance(t_s, missing(), weights())
        found.append((t_s, chance_now(detector, t_s, weights(), memory)))

    assert [] == said(found, first_s=last_s + 90.0)


def test_soon_after_salt_or_water_only_the_time_since_is_shown() -> None:
    """In the first five minutes nothing is known, whatever the score."""
    for began_by, words in (
        ("salt", "since salt came"),
        ("water", "since water came"),
        ("pump", "since the pump started again"),
        ("", "watched for"),
    ):
        shown = look(record(mix(), 0.25, every_s=4.0), Stability(), began_by=began_by)
        (last, *_) = said(shown, first_s=POUR_S + 185.0)
        assert last.over is None
        assert any(words in each and "only 3 min" in each for each in last.held_back_by)


def test_a_pump_that_stands_is_the_first_thing_said() -> None:
    """And for five minutes after it started, that it has run for no longer."""
    rows = with_pump(record(mix(), 1.0, every_s=4.0), 0.0, POUR_S + 1200.0)
    shown = look(rows, Stability())

    standing = said(shown, POUR_S + 600.0, POUR_S + 1190.0)
    assert {(None, "the pump is off")} == {(each.over, each.held_back_by[0]) for each in standing}
    (starting, *_) = said(shown, POUR_S + 1200.0 + 150.0)
    assert (None, "the pump has run for only 2 min") == (starting.over, starting.held_back_by[0])
    assert None not in {each.over for each in said(shown, POUR_S + 1540.0)}


def test_a_probe_out_of_the_water_or_stuck_leaves_no_chance() -> None:
    """Nothing is known of the water then, and the reason is said instead."""
    good = record(mix(), 0.5, every_s=4.0)
    last_s = good[-1][0]
    air = [(last_s + t_s, row) for t_s, row in record(lambda _t: 0.02, 0.1, every_s=4.0)]
    stuck = [(last_s + 4.0 * k, good[-1][1]) for k in range(1, 60)]

    for after, words in (
        (air, "the probe seems to be out of the water"),
        (stuck, "the probe repeats itself"),
    ):
        (*_, last) = said(look([*good, *after], Stability()))
        assert (None, words) == (last.over, last.held_back_by[0])


def test_too_few_readings_leave_no_chance() -> None:
    """Less than two fifths of the last ten minutes."""
    rows = [
        each
        for each in record(mix(), 0.7, every_s=4.0)
        if each[0] < 1500.0 or each[0] % 210.0 < 60.0
    ]

    (*_, last) = said(look(rows, Stability()))

    assert (None, "too few readings in the last 10 min") == (last.over, last.held_back_by[0])


def test_water_without_salt_is_said_to_have_hardly_any() -> None:
    """Armed by mistake: the probe is in the water, and salt is not."""
    (*_, last) = said(look(record(lambda _t: 0.4, 0.6, every_s=4.0), Stability()))

    assert (None, "there is hardly any salt at the probe") == (last.over, last.held_back_by[0])


def test_a_score_that_is_high_enough_waits_for_the_minutes_that_must_agree() -> None:
    """As many as the mean of six scores in a row still needs."""
    rows, detector = record(mix(), 0.5, every_s=4.0), Stability()
    look(rows, detector)
    limit = weights().limit

    for scores, words in (
        ([limit + 1.0], "waiting for the next 2.5 min to agree"),
        ([limit + 1.0] * 5, "waiting for the next 30 s to agree"),
        ([limit - 3.0] * 5 + [limit + 1.0], "waiting for the next 2 min to agree"),
        ([limit - 1.5] + [limit + 0.1] * 5, "waiting for the next 30 s to agree"),
        ([limit - 1.0] * DWELL, ""),
        ([], ""),
        ([limit + 1.0] * DWELL, ""),
    ):
        detector.scores = scores
        assert words == waits_for(detector, weights())


def test_a_call_that_waits_for_the_probe_or_for_a_leap_says_so() -> None:
    """The score is high enough, and the newest half minute cannot be trusted."""
    rows, detector = record(mix(), 0.5, every_s=4.0), Stability()
    look(rows, detector)
    detector.scores = [weights().limit + 1.0] * DWELL
    leapt = replace(detector, cells=replace(detector.cells, salinity=[*detector.cells.salinity]))
    leapt.cells.salinity[-1] += 0.5
    detector.cells.conductivity_run_s[-1] = 25.0

    assert "waiting for the probe to move" == waits_for(detector, weights())
    detector.cells.conductivity_run_s[-1] = 0.0
    assert "waiting for salinity to rest after a leap" == waits_for(leapt, weights())


def test_nothing_is_certain() -> None:
    """Neither end of the scale is ever shown."""
    assert MOST_CONFIDENCE == shown_chance(800.0)
    assert pytest.approx(1.0 - MOST_CONFIDENCE) == shown_chance(-800.0)
    assert 0.5 == shown_chance(0.0)


def test_each_group_of_features_has_words_or_none() -> None:
    """A group that the network may get later must not break a look."""
    rows, detector = record(mix(), 0.5, every_s=4.0), Stability()
    (*_, last) = said(look(rows, detector))

    assert last.held_back_by
    assert "" == phrase("a later group", None)  # type: ignore[arg-type]


def test_after_a_drift_only_the_time_since_is_shown() -> None:
    """Half an hour must show that the water rests; until then nothing is known."""
    drift_s, still = 5400.0, mix()
    rows = record(
        lambda t: still(t) + 0.3 * min(max(t - drift_s, 0.0) / 3600.0, 1.0), 3.0, every_s=6.0
    )
    shown = look(rows, Stability())

    after = said(shown, first_s=drift_s)
    assert after
    assert all(each.over is None for each in after[:200])
    assert re.fullmatch(r"only \d+ min since salinity drifted away", after[199].held_back_by[0])


def test_a_pump_input_that_falls_silent_leaves_what_it_said_last() -> None:
    """Nobody says that the pump runs again, nor that it stands now."""
    rows = with_pump(record(mix(), 0.6, every_s=4.0), 0.0, 1e9)
    silent = [(t_s, replace(row, pump=None) if t_s > 1500.0 else row) for t_s, row in rows]

    (*_, last) = said(look(silent, Stability()))

    assert (None, "the pump was last said to be off") == (last.over, last.held_back_by[0])


def test_brine_at_the_probe_is_no_mixed_water() -> None:
    """Above the scale of practical salinity, as what passes the probe may be."""
    course = mix(final=48.0)
    (*_, last) = said(look(record(course, 0.6, every_s=4.0), Stability()))

    assert (None, "above 42 ppt: brine that is not mixed yet") == (last.over, last.held_back_by[0])


def test_a_call_that_strange_readings_forbid_waits_for_rest() -> None:
    """The score is high enough and may not count; what is strange is said."""
    strange = [FEATURE_NAMES.index("cut_low")]
    detector = Stability(scores=[50.0] * DWELL, outside=[strange] * RECENT)

    assert waits_for(detector, weights()) == (
        "the readings are unlike any that it was taught: how many readings lie low"
    )
