"""The station, whatever happens to the water: what always holds of its entries."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.entries import Entry, Event, Kind, Phase, Sample
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.stories import Story
from tests.parts.weights import weights

SOON_STALE = BatchSettings(use_within_h=0.5, settle_within_min=8.0)
HAPPENINGS = st.one_of(
    st.tuples(st.just("still"), st.sampled_from([1.0, 5.0, 25.0, 45.0])),
    st.tuples(st.just("batch"), st.sampled_from([33.05, 34.0])),
    st.tuples(st.just("pour"), st.sampled_from([5.0, 31.5, 33.05, 34.0, 38.0])),
    st.tuples(st.just("thin"), st.sampled_from([0.5, 0.9, 0.97])),
    st.tuples(st.just("refill"), st.just(0.0)),
    st.tuples(st.just("lift"), st.sampled_from([1.0, 12.0])),
    st.tuples(st.just("silence"), st.sampled_from([0.5, 6.0])),
    st.tuples(st.just("glitch"), st.sampled_from([-1.0, 0.0, 20.0, 99.0, 1e300])),
    st.tuples(st.just("reboot"), st.sampled_from([0.01, 9.0])),
    st.tuples(st.just("jump"), st.sampled_from([-400.0, 400.0])),
)


def played(happenings: list[tuple[str, float]]) -> list[Sample]:
    """The samples of a story in which these things happen, one after the other."""
    story = Story(period_s=10.0).still(3)
    for n, (what, amount) in enumerate(happenings):
        if what == "still":
            story.still(amount)
        elif what in ("batch", "pour"):
            story.dissolve(max(story.salinity, amount), minutes=45.0 if what == "batch" else 25.0)
        elif what == "thin":
            story.dissolve(story.salinity * amount, minutes=10.0, tau_s=40.0)
        elif what == "refill":
            story.refilled()
        elif what in ("lift", "silence"):
            (story.lifted if what == "lift" else story.silence)(amount)
        elif what == "glitch":
            story.say(amount, 24.0)
        elif what == "reboot":
            story.away(amount, boot=f"boot-{n}")
        else:
            story.away(amount * 24.0)
            story.t_s -= amount * 86_400.0  # the wall clock alone moved
    return story.samples


stories = st.lists(HAPPENINGS, min_size=1, max_size=7)


REFILL_SEEN_WITH_THE_DISTURBANCE = [
    ("still", 45.0),
    ("refill", 0.0),
    ("still", 5.0),
    ("pour", 33.05),
    ("thin", 0.9),
    ("refill", 0.0),
]
"""The fall is so sudden that one sample ends steadiness and batch together."""


def a_station() -> Station:
    """A station whose batches are stale soon, so that stories need not be long."""
    return Station({"mix-1": ReservoirSettings("mix-1", SOON_STALE)}, weights())


def entries_of(station: Station, samples: list[Sample]) -> list[Entry]:
    """All entries that follow from the samples."""
    return [entry for sample in samples for entry in station.advance(sample)]


@given(stories, st.floats(0, 1))
@settings(max_examples=20)
def test_going_on_from_a_checkpoint_is_never_having_stopped(
    happenings: list[tuple[str, float]], share: float
) -> None:
    """Wherever it is stopped and restored, the entries after it are the same ones."""
    samples = played(happenings)
    point = int(share * len(samples))
    whole = a_station()
    entries_of(whole, samples[:point])
    state = restore(dump(whole.state))
    assert state is not None
    assert dump(state) == dump(whole.state)
    again = Station({"mix-1": ReservoirSettings("mix-1", SOON_STALE)}, weights(), state)

    assert entries_of(whole, samples[point:]) == entries_of(again, samples[point:])
    assert dump(again.state) == dump(whole.state)


@given(stories)
@example(REFILL_SEEN_WITH_THE_DISTURBANCE)
@example([("batch", 34.0), ("still", 45.0), ("reboot", 9.0), ("refill", 0.0), ("batch", 34.0)])
@settings(max_examples=80)
def test_what_always_holds_of_a_station(happenings: list[tuple[str, float]]) -> None:
    """Determinism, unbroken phases, batches that stay ended, and no release without steadiness."""
    samples = played(happenings)
    entries = entries_of(a_station(), samples)
    events = [each for each in entries if isinstance(each, Event)]

    assert entries == entries_of(a_station(), samples)
    assert len(samples) == len(entries) - len(events)
    assert_phases_follow(events)
    assert_batches_end_once(events)
    assert_only_the_steady_are_ready(events)


def assert_phases_follow(events: list[Event]) -> None:
    """Each phase begins where the last one ended, and is another."""
    phase = str(Phase.IDLE)
    for event in events:
        if event.kind is Kind.PHASE:
            assert phase == facts_in(event)["from"] != facts_in(event)["to"]
            phase = str(facts_in(event)["to"])


def assert_batches_end_once(events: list[Event]) -> None:
    """One batch at a time: begun before anything is said of it, and silent once it has ended."""
    current, seen = "", set[str]()
    for event in events:
        if event.kind is Kind.BATCH and facts_in(event)["what"] == "began":
            assert current == ""
            assert event.batch not in seen
            current = event.batch
            seen.add(current)
        assert event.batch == current
        if event.kind is Kind.BATCH and facts_in(event)["what"] == "ended":
            current = ""


def assert_only_the_steady_are_ready(events: list[Event]) -> None:
    """Ready comes only after steadiness of the same batch that nothing has disturbed since.

    What is reinstated was no disturbance.
    """
    steady = ""
    reinstated = [
        each.at
        for each in events
        if each.kind is Kind.BATCH and facts_in(each)["what"] == "reinstated"
    ]
    for event in events:
        if event.kind is Kind.STABILISED or event.at in reinstated:
            steady = event.batch
        elif event.kind is Kind.DISTURBED:
            steady = ""
        elif event.kind is Kind.PHASE and facts_in(event)["to"] == Phase.READY:
            assert event.batch == steady != ""
