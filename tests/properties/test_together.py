"""Two probes, calibrations, checks, commands and due times together: what always holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.entries import JSON, Entry, Event, Flag, Kind, Phase, Reading
from daemon.mixing.alarm.alarm_state import ACTIVE_STATES, MOVES, LifecycleState, Transition
from daemon.mixing.batch.batch_state import BatchState
from daemon.mixing.events import StartDue
from daemon.mixing.probe.quality import CALIBRATING
from tests.parts.calibrating import records
from tests.parts.events import facts_in
from tests.parts.together import ACTS, FIRST, PROBES, SECOND, Corner
from tests.properties.test_station import (
    assert_only_the_steady_are_ready,
    assert_phases_follow,
)

WATER = (
    *(Kind.PHASE, Kind.STABILISED, Kind.DISTURBED, Kind.FORECAST, Kind.BATCH, Kind.ADVICE),
    Kind.ALARM,
)
BY_TIME = {"start-missed", "batch-ageing", "measuring-restarted"}
"""Alarms whose condition ends with time alone."""
OF_READINGS = {"probe-fault", "reading-overdue"}
"""Alarms that are of nobody's interest while their probe is at the bench."""

COMMANDS: Sequence[tuple[str, dict[str, JSON]]] = (
    ("batch.start", {"mass_g": 7200.0, "volume_l": 180.0, "lot": "blue"}),
    ("batch.start", {}),
    ("batch.confirm", {}),
    ("batch.use", {"volume_l": 60.0}),
    ("batch.use", {}),
    ("batch.discard", {"why": "cloudy"}),
    ("batch.reading", {"salinity": 34.0, "u_ppt": 0.2}),
    ("batch.note", {"text": "lid left open"}),
    ("lot.add", {"name": "blue", "bought_g": 20_000.0}),
    ("lot.adjust", {"name": "blue", "left_g": 100.0}),
    ("alarm.acknowledge", {"name": "batch-off-target"}),
    ("alarm.acknowledge", {"name": "start-missed"}),
    ("alarm.shelve", {"name": "start-missed", "reason": "holiday", "hours": 1.0}),
    ("alarm.remove-from-service", {"name": "probe-disagrees", "reason": "one is old"}),
    ("alarm.return-to-service", {"name": "probe-disagrees"}),
)
HAPPENINGS = st.one_of(
    st.tuples(st.just("wait"), st.sampled_from([3.0, 15.0, 45.0])),
    st.tuples(st.just("batch"), st.sampled_from([32.6, 33.9, 34.0, 36.0])),
    st.tuples(st.just("thin"), st.sampled_from([0.9, 0.985])),
    st.tuples(st.just("refill"), st.just(0.0)),
    st.tuples(st.just("cool"), st.sampled_from([22.0, 24.0])),
    st.tuples(st.just("drift apart"), st.sampled_from([1.004, 1.04])),
    st.tuples(st.just("silent"), st.sampled_from([(FIRST,), (SECOND,), PROBES])),
    st.tuples(st.just("mute"), st.just(0)),
    st.tuples(
        st.sampled_from(["start", "check"]),
        st.tuples(st.sampled_from(PROBES), st.integers(0, len(ACTS))),
    ),
    st.tuples(st.just("put back"), st.sampled_from(PROBES)),
    st.tuples(st.just("ask"), st.sampled_from(COMMANDS)),
    st.tuples(st.just("restart"), st.sampled_from([("", 0.5), ("boot-2", 30.0)])),
    st.tuples(st.just("clock"), st.sampled_from([-30.0, 30.0])),
)
Script = list[tuple[str, object]]


def absent(corner: Corner, silent: tuple[str, ...], *, mute: bool) -> None:
    """Let values be missing for twelve minutes, and look at what must not come of it."""
    corner.silent, corner.mute = frozenset(silent), mute
    corner.run(1.0)  # what was measured before ends its bins and half minutes
    before = corner.state.batch
    known = (before.judgement.salinity, before.judgement.salinity_u, before.judgement.probability)
    out = corner.out
    said = corner.run(11.0)
    corner.silent, corner.mute = frozenset(), False

    assert_absent(said, silent)
    if mute or not set(PROBES) - set(silent) - out:
        # Nobody measures the water; what one of two measures alone is of the water all the same.
        assert_nothing_is_decided(said)
        assert_nothing_clears(said, BY_TIME | (OF_READINGS if out else set()))
        assert_no_surer(known, corner.state.batch)


def assert_absent(said: list[Entry], silent: tuple[str, ...]) -> None:
    """A reading that did not come has no value, no uncertainty and no good flag."""
    for each in said:
        if isinstance(each, Reading) and each.probe in silent:
            assert (None, None, Flag.MISSING) == (each.salinity, each.salinity_u, each.flag)


def assert_nothing_is_decided(said: list[Entry]) -> None:
    """Nothing is called steady, forecast, found changed, released or refused."""
    for each in said:
        if isinstance(each, Event):
            assert each.kind not in (Kind.STABILISED, Kind.FORECAST, Kind.DISTURBED, Kind.BATCH)
            if each.kind is Kind.PHASE:
                assert Phase.STALE == facts_in(each)["to"]


def assert_nothing_clears(said: list[Entry], but: set[str]) -> None:
    """No alarm ends but those that end with time."""
    for each in said:
        if isinstance(each, Event) and each.kind is Kind.ALARM:
            facts = facts_in(each)
            assert facts["name"] in but or facts["what"] != Transition.CLEARED, facts


def assert_no_surer(
    before: tuple[float | None, float | None, float | None], after: BatchState
) -> None:
    """What was called stays, its uncertainty does not shrink, nor does a verdict form."""
    called, u, probability = before
    assert called == after.judgement.salinity
    assert (u is None) == (after.judgement.salinity_u is None)
    assert u is None or after.judgement.salinity_u is None or after.judgement.salinity_u >= u
    assert after.judgement.probability in (probability, None)


def play(script: Script) -> Corner:
    """Let these things happen, one after the other."""
    corner = Corner()
    corner.run(3.0)
    for what, how in script:
        DOES[what](corner, how)
    return corner


def pour(corner: Corner, salinity: float) -> None:
    """Salt goes in, where that makes the water saltier."""
    corner.run(35.0, max(corner.salinity, salinity))


def thin(corner: Corner, share: float) -> None:
    """Purified water goes in."""
    corner.run(35.0, corner.salinity * share)


def cool(corner: Corner, warmth_C: float) -> None:
    """The water has another temperature for a while."""
    corner.warmth_C = warmth_C
    corner.run(8.0)


def drift(corner: Corner, gain: float) -> None:
    """The second probe's cell becomes another one."""
    corner.gains = {**corner.gains, SECOND: gain}
    corner.run(12.0)


DOES: dict[str, Callable[..., object]] = {
    "wait": Corner.run,
    "batch": pour,
    "thin": thin,
    "refill": lambda corner, _: corner.run(8.0, 0.0, 40.0),
    "cool": cool,
    "drift apart": drift,
    "silent": lambda corner, silent: absent(corner, silent, mute=False),
    "mute": lambda corner, _: absent(corner, (), mute=True),
    "start": lambda corner, how: corner.bench("start", *how),
    "check": lambda corner, how: corner.bench("check", *how),
    "put back": Corner.put_back,
    "ask": lambda corner, how: corner.send(*how),
    "restart": lambda corner, how: corner.restart(how[1], how[0]),
    "clock": Corner.clock_moves,
}
WHOLE = len(ACTS)
BUSY: Script = [
    ("ask", COMMANDS[8]),
    ("ask", COMMANDS[0]),
    ("batch", 34.0),
    ("silent", PROBES),
    ("start", (FIRST, WHOLE)),
    ("wait", 45.0),
    ("drift apart", 1.04),
    ("mute", 0),
    ("check", (SECOND, WHOLE)),
    ("cool", 22.0),
    ("silent", (FIRST,)),
    ("ask", COMMANDS[3]),
    ("refill", 0.0),
    ("start", (FIRST, 2)),
    ("restart", ("", 0.5)),
    ("put back", FIRST),
    ("drift apart", 1.004),
    ("batch", 31.0),
    ("mute", 0),
]
"""As much as there can be on one day."""


@settings(max_examples=30)
@given(st.lists(HAPPENINGS, min_size=2, max_size=8))
@example(BUSY)
@example([("batch", 36.0), ("silent", (FIRST,)), ("thin", 0.985), ("silent", PROBES)])
@example([("silent", (FIRST,)), ("mute", 0), ("batch", 34.0), ("mute", 0), ("wait", 15.0)])
@pytest.mark.timeout(600)
def test_what_always_holds_of_two_probes_a_bench_and_a_keeper(script: Script) -> None:
    """Whatever happens together, and in every phase in which values are missing."""
    corner = play(script)
    events = [each for each in corner.entries if isinstance(each, Event)]
    of_water = [
        each
        for each in events
        # A reminder to begin the next batch belongs to none that is there.
        if each.kind in WATER and each.reservoir == "mix-1" and not isinstance(each.body, StartDue)
    ]

    assert corner.samples == len(corner.entries) - len(events)
    assert corner.sent == sum(each.kind is Kind.COMMAND for each in events)
    assert_phases_follow(of_water)
    assert_each_event_is_of_the_batch_of_then(of_water)
    assert_only_the_steady_are_ready(of_water)
    assert_alarms_move_as_the_standard_says(events)
    assert_readings_are_of_the_calibration_in_force(corner)


@settings(max_examples=6)
@given(st.lists(HAPPENINGS, min_size=2, max_size=6))
@example(BUSY)
@pytest.mark.timeout(600)
def test_the_same_day_is_reported_in_the_same_words(script: Script) -> None:
    """Played a second time by a station that is new, entries and state are the same."""
    first, second = play(script), play(script)

    assert first.entries == second.entries
    assert first.station.state == second.station.state


def assert_each_event_is_of_the_batch_of_then(events: list[Event]) -> None:
    """One batch at a time; of one that a person ended only the way to idle is said afterwards."""
    current, ended, seen = "", "", set[str]()
    for each in events:
        facts = facts_in(each)
        if each.kind is Kind.BATCH and facts["what"] == "began":
            assert current == ""
            assert each.batch not in seen
            current = each.batch
            seen.add(current)
        left = each.kind is Kind.PHASE and facts["to"] == Phase.IDLE and each.batch == ended
        assert left or each.batch == current
        ended = ""
        if each.kind is Kind.BATCH and facts["what"] == "ended":
            current, ended = "", each.batch


def test_the_busy_day_has_everything_in_it() -> None:
    """So that what holds of every day does not hold of empty ones alone."""
    corner = play(BUSY)
    events = [each for each in corner.entries if isinstance(each, Event)]
    said = [facts_in(each) for each in events if each.kind is Kind.COMMAND]
    raised = {
        facts_in(each)["name"]
        for each in events
        if each.kind is Kind.ALARM and facts_in(each)["what"] == Transition.RAISED
    }
    phases = [facts_in(each)["to"] for each in events if each.kind is Kind.PHASE]

    assert {True, False} == {facts["ok"] for facts in said}
    assert ["calibration", "check"] == [each.kind for each in records(corner.entries)]
    assert {
        "probe-fault",
        "probe-disagrees",
        "temperature-out-of-band",
        "calibration-due",
    } <= raised
    assert {"blank", "dissolving", "verifying", "ready", "off_target"} <= set(phases)


def assert_alarms_move_as_the_standard_says(events: list[Event]) -> None:
    """Each change leads from the state before it to one that the table allows."""
    states: dict[tuple[str, str], LifecycleState] = {}
    for each in events:
        if each.kind is not Kind.ALARM:
            continue
        facts = facts_in(each)
        key = (each.reservoir, str(facts["name"]))
        what, now = Transition(str(facts["what"])), LifecycleState(str(facts["state"]))
        before = states.get(key, LifecycleState.NORMAL)
        states[key] = now
        assert facts["standing"] == (now in ACTIVE_STATES)
        if what is Transition.REPEATING:
            assert now is before
        else:
            assert (before, what) in MOVES, (key, before, what)
            assert MOVES[before, what] in (now, None)


def assert_readings_are_of_the_calibration_in_force(corner: Corner) -> None:
    """Of the last usable record of their probe before them; marked while they are of no water."""
    in_force: dict[str, str] = {}
    for each in corner.entries:
        if isinstance(each, Reading):
            if each.salinity is not None:
                assert in_force.get(each.probe, "") == each.calibration
        elif each.kind is Kind.CALIBRATION:
            for record in records([each]):
                if record.kind == "calibration" and record.usable:
                    in_force[record.probe.partition("/")[2]] = record.id
                elif record.kind == "settlement" and record.in_force:
                    in_force[record.probe.partition("/")[2]] = record.calibration_id
    last = [each for each in corner.entries if isinstance(each, Reading)][-len(PROBES) :]
    for each in last if not corner.mute else []:
        assert (each.probe in corner.out) == (CALIBRATING in each.tests) or corner.sent
