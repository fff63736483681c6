"""Commands, whatever they say and whenever they come: what always holds."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.entries import JSON, Command, Entry, Event, Instant, Kind, Phase, Sample
from daemon.journal.checkpoint import dump, restore
from daemon.journal.rows import to_json
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.batch.release import pending
from daemon.mixing.station.commands.dispatch import VERBS
from daemon.mixing.station.station import ReservoirSettings, ReservoirState, Station
from tests.parts.events import facts_in
from tests.parts.people import without_time
from tests.parts.stories import Story, of
from tests.parts.weights import weights

DEMANDING = BatchSettings(
    use_within_h=0.5,
    settle_within_min=8.0,
    temperature_range_C=(23.5, 25.5),
    needs_confirmation=True,
)
SETTINGS = {"mix-1": ReservoirSettings("mix-1", DEMANDING)}

# --- arbitrary arguments ------------------------------------------------------------------------

values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.sampled_from([0, -1, 10**400, 5, 34, 1.02, 1.339, 20.0, 180, 7000, "blue", "mix-1"])
    | st.floats()
    | st.text(max_size=60),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
NAMES = sorted({name for takes in VERBS.values() for name in takes})


@st.composite
def requests(draw: st.DrawFn) -> tuple[str, str, dict[str, Any]]:
    """A verb, a reservoir, and arguments: mostly such as the verb takes, of any value."""
    verb = draw(st.sampled_from([*VERBS]) | st.text(max_size=50))
    takes = VERBS[verb] if verb in VERBS else tuple(NAMES)
    names = (
        st.sampled_from(takes) | st.text(max_size=50)
        if draw(st.booleans())
        else (st.sampled_from(takes))
    )
    facts = draw(st.dictionaries(names, values, max_size=4))
    return verb, draw(st.sampled_from(["mix-1", "mix-1", "mix-1", "", "mix-9"])), facts


READY = 4
STAGES = {0: "idle", 1: "blank", 2: "dissolving", 3: "verifying", READY: "ready"}


@cache
def kept(stage: int) -> str:
    """The state of a station at one of several moments of a batch's life."""
    story = Story(period_s=10.0)
    station = Station(SETTINGS, weights())
    station.state.reservoirs["mix-1"] = ReservoirState()
    if stage > 0:
        story.still(3)
    if stage > 1:
        story.dissolve(34.0, 10 if stage == 2 else 50)
    story.play(station)
    if stage > 1:
        station.advance(a_command("lot.add", "", {"name": "blue", "bought_g": 20000}))
    if stage == READY:
        station.advance(a_command("batch.confirm", "mix-1", {}))
    return dump(station.state)


def a_command(verb: str, reservoir: str, facts: dict[str, JSON], number: int = 1) -> Command:
    """A command soon after all that was measured."""
    at = Instant(Story().wall, 4200.0, "boot-1")
    return Command(f"c-{number}", at, "keeper", "mqtt", verb, reservoir, facts, number)


def test_the_stages_are_what_they_are_called() -> None:
    """So that the arguments below meet every kind of state."""
    phases = [restored(kept(stage)).reservoirs["mix-1"].batch.phase for stage in STAGES]

    assert [*STAGES.values()] == [str(phase) for phase in phases]


@given(requests(), st.sampled_from([*STAGES]))
@settings(max_examples=200)
def test_any_arguments_are_done_or_refused_in_a_sentence(
    request: tuple[str, str, dict[str, Any]], stage: int
) -> None:
    """No exception; a refusal changes nothing; state and record can be written down."""
    verb, reservoir, facts = request
    state = restore(kept(stage))
    assert state is not None
    station = Station(SETTINGS, weights(), state)
    before = without_time(station.state)
    told, *steps = station.advance(a_command(verb, reservoir, facts))

    assert isinstance(told, Event)
    assert told.kind is Kind.COMMAND
    answer = facts_in(told)["answer"]
    assert isinstance(answer, str)
    assert answer.strip()
    assert "\n" not in answer
    assert len(answer) < 1000
    after = dump(station.state)
    if not facts_in(told)["ok"]:
        assert [] == steps
        assert before == without_time(station.state)
    assert after == dump(restored(after))
    for event in steps:
        assert isinstance(event, Event)
        to_json(dict(facts_in(event)))


def restored(text: str) -> Any:  # noqa: ANN401 - a state that must be there
    """The state that was kept."""
    state = restore(text)
    assert state is not None
    return state


# --- commands among readings --------------------------------------------------------------------

ACTS: list[tuple[str, dict[str, JSON]]] = [
    ("batch.start", {}),
    ("batch.start", {"mass_g": 7220, "volume_l": 180}),
    ("batch.start", {"mass_g": 8600, "volume_l": 180, "lot": "blue"}),
    ("batch.confirm", {}),
    ("batch.confirm", {}),
    ("batch.reading", {"salinity": 34.0}),
    ("batch.reading", {"salinity": 30.0, "u_ppt": 0.1}),
    ("batch.note", {"text": "seen"}),
    ("batch.use", {"volume_l": 60}),
    ("batch.use", {}),
    ("batch.discard", {}),
    ("lot.add", {"name": "blue", "bought_g": 20000}),
    ("lot.adjust", {"name": "blue", "left_g": 100}),
]
HAPPENINGS = st.one_of(
    st.tuples(st.just("still"), st.sampled_from([1.0, 12.0, 40.0])),
    st.tuples(st.just("pour"), st.sampled_from([31.0, 33.05, 34.0])),
    st.tuples(st.just("refill"), st.just(0.0)),
    st.tuples(st.just("silence"), st.sampled_from([6.0])),
    st.tuples(st.just("cool"), st.sampled_from([4.0])),
    st.tuples(st.just("ask"), st.sampled_from([float(n) for n in range(len(ACTS))])),
    st.tuples(st.just("ask"), st.sampled_from([float(n) for n in range(len(ACTS))])),
)
stories = st.lists(HAPPENINGS, min_size=1, max_size=8)


def played(happenings: list[tuple[str, float]]) -> list[Sample | Command]:
    """Everything that reaches the station when a good batch is mixed and then these happen."""
    story = Story(period_s=20.0).still(3).dissolve(34.0)
    inputs: list[Sample | Command] = []
    for number, (what, amount) in enumerate(happenings, start=1):
        if what == "still":
            story.still(amount)
        elif what == "pour":
            story.dissolve(max(story.salinity, amount), minutes=40.0)
        elif what == "refill":
            story.refilled()
        elif what == "silence":
            story.silence(amount)
        elif what == "cool":
            first = len(story.samples)
            story.still(amount)
            # Conductivity stays, so the water is another too: both must be borne.
            story.samples[first:] = [
                replace(each, temperature_C=23.0) for each in story.samples[first:]
            ]
        else:
            inputs, story.samples = [*inputs, *story.samples], []
            verb, facts = ACTS[int(amount)]
            at = Instant(story.wall, story.t_s, story.boot)
            inputs.append(Command(f"c-{number}", at, "keeper", "cli", verb, "mix-1", facts, number))
    return [*inputs, *story.samples]


def entries_of(station: Station, inputs: list[Sample | Command]) -> list[Entry]:
    """All entries that follow."""
    return [entry for item in inputs for entry in station.advance(item)]


@given(stories, st.floats(0, 1))
@settings(max_examples=20)
def test_going_on_from_a_checkpoint_is_never_having_stopped(
    happenings: list[tuple[str, float]], share: float
) -> None:
    """Between commands too, wherever it is stopped and restored."""
    inputs = played(happenings)
    point = int(share * len(inputs))
    whole = Station(SETTINGS, weights())
    entries_of(whole, inputs[:point])
    again = Station(SETTINGS, weights(), restored(dump(whole.state)))

    assert entries_of(whole, inputs[point:]) == entries_of(again, inputs[point:])
    assert dump(whole.state) == dump(again.state)


@given(stories)
@example([("ask", 3.0), ("still", 40.0), ("ask", 3.0), ("ask", 9.0), ("refill", 0.0)])
@example([("ask", 3.0), ("ask", 6.0), ("ask", 5.0), ("cool", 4.0), ("still", 40.0)])
@example([("ask", 11.0), ("ask", 2.0), ("ask", 3.0), ("ask", 1.0), ("ask", 8.0), ("ask", 10.0)])
@settings(max_examples=30)
def test_what_always_holds_whatever_is_sent(happenings: list[tuple[str, float]]) -> None:
    """Phases chain, a batch ends once, and nothing is released while a condition is pending."""
    station, entries = Station(SETTINGS, weights()), list[Entry]()
    for item in played(happenings):
        said = station.advance(item)
        entries += said
        state = station.state.reservoirs["mix-1"].batch
        if any(facts_in(event)["to"] == Phase.READY for event in of(said, Kind.PHASE)):
            assert {} == pending(state, DEMANDING)
            assert state.judgement.salinity is not None
            assert 33.0 < state.judgement.salinity < 35.0
        assert (state.phase in (Phase.READY, Phase.STALE)) <= (state.age.released_s is not None)
    assert_phases_follow(of(entries, Kind.PHASE))
    assert_batches_end_once(of(entries, Kind.BATCH))


def assert_phases_follow(events: list[Event]) -> None:
    """Each phase begins where the last one ended, and is another."""
    phase = str(Phase.IDLE)
    for event in events:
        assert phase == facts_in(event)["from"] != facts_in(event)["to"]
        phase = str(facts_in(event)["to"])


def assert_batches_end_once(events: list[Event]) -> None:
    """Each batch begins once under a name of its own, and ends at most once, as itself."""
    current, seen = "", set[str]()
    for event in events:
        if facts_in(event)["what"] == "began":
            assert "" == current
            assert event.batch not in {*seen, ""}
            current = event.batch
            seen.add(current)
        elif facts_in(event)["what"] == "ended":
            assert current == event.batch != ""
            current = ""
        else:
            assert current == event.batch
