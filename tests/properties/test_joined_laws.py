"""Laws of what is joined: for any pace and any silence of the instruments."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.entries import Entry, Event, Instant, Reading, Sample
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station, sample_of
from daemon.probes.joined import Joining, JoiningSettings
from tests.parts.events import AT
from tests.parts.weights import weights

OLDEST_S = 15.0
RESERVOIRS = ("mix-1", "mix-2")
SETTINGS = JoiningSettings(
    {"thermo-1": OLDEST_S, "pump-1": OLDEST_S},
    {(name, "ct-1"): "thermo-1" for name in RESERVOIRS},
    dict.fromkeys(RESERVOIRS, "pump-1"),
    {(name, "ct-1"): 1.0 for name in RESERVOIRS},
)
STEP_MS = st.integers(0, 4000) | st.integers(4000, 40_000)
WORD = st.one_of(
    st.builds(
        lambda name, value, age: ("cell", name, value, age),
        st.sampled_from(RESERVOIRS),
        st.none() | st.floats(0.0, 80.0),
        st.just(0.0) | st.floats(0.0, 5.0),
    ),
    st.builds(
        lambda value, age: ("thermo", "", value, age),
        st.none() | st.floats(0.0, 39.0),
        st.just(0.0) | st.floats(0.0, 5.0),
    ),
    st.builds(lambda on: ("pump", "", on, 0.0), st.sampled_from((None, 0.0, 1.0))),
)
STORY = st.lists(st.tuples(STEP_MS, WORD), min_size=1, max_size=25)
Story = list[tuple[int, tuple[str, str, float | None, float]]]


def said(story: Story) -> list[Sample]:
    """The samples of all instruments, at the paces of a story."""
    t_ms, found = 0, []
    for step_ms, (kind, reservoir, value, age_s) in story:
        t_ms += step_ms
        at = Instant(AT.wall + timedelta(milliseconds=t_ms), t_ms / 1000, "boot-1")
        fault = "no reply; check the cable" if value is None else ""
        cell = Sample(reservoir, "ct-1", at, value, None, None, fault, "", age_s)
        found.append(
            {
                "cell": cell,
                "thermo": Sample("", "thermo-1", at, None, value, None, fault, "", 0.0, age_s),
                "pump": Sample(
                    "", "pump-1", at, None, None, None if value is None else bool(value), fault
                ),
            }[kind]
        )
    return found


def joined(story: Story) -> list[Sample]:
    """What the station gets of them, as the loop gives it."""
    joining, found = Joining(SETTINGS), list[Sample]()
    for each in said(story):
        found += joining.due(each.at)
        found += joining.take(each)
    return found


def entries_of(samples: list[Sample]) -> list[Entry]:
    """What a new station makes of samples."""
    station = Station({name: ReservoirSettings(name) for name in RESERVOIRS}, weights())
    return [entry for each in samples for entry in station.advance(each)]


@given(STORY)
def test_every_sample_is_whole_or_says_what_it_lacks(story: Story) -> None:
    """No salinity without a temperature that the thermometer gave within the limit."""
    given_ = said(story)
    values = {each.temperature_C for each in given_ if each.probe == "thermo-1"} - {None}
    for whole in joined(story):
        assert whole.reservoir in RESERVOIRS
        assert whole.temperature_age_s >= 0.0
        if whole.temperature_C is None:
            assert "input thermo-1 has given no temperature" in whole.fault
        else:
            assert whole.temperature_C in values
            assert whole.temperature_age_s - whole.conductivity_age_s <= OLDEST_S + 0.001
        assert bool(whole.fault) or whole.conductivity_mS_cm is not None
    for each in entries_of(joined(story)):
        if isinstance(each, Reading) and each.temperature_C is None:
            assert (None, None) == (each.salinity, each.salinity_u)


@given(STORY)
def test_a_pump_that_is_silent_is_unknown(story: Story) -> None:
    """What a sample says of the pump its input said within the limit."""
    words = [each for each in said(story) if each.probe == "pump-1" and each.pump is not None]
    for whole in joined(story):
        now_s = whole.at.mono_s
        ages_s = {now_s - each.at.mono_s: each.pump for each in words}
        # What came at the same moment may have come before or after.
        young = {pump for age_s, pump in ages_s.items() if 0.0 <= age_s <= OLDEST_S}
        assert whole.pump in {None, *young}
        assert whole.pump is not None or not any(0.0 < age_s <= OLDEST_S for age_s in ages_s)


@given(STORY)
def test_time_never_goes_back(story: Story) -> None:
    """Whatever waited for its thermometer comes with the time at which it came."""
    times = [each.at.mono_s for each in joined(story)]

    assert sorted(times) == times


@settings(max_examples=15)
@given(STORY)
def test_a_live_run_and_a_replay_of_its_journal_give_the_same_entries(story: Story) -> None:
    """With instruments of different pace, through the journal's own rows."""
    live = entries_of(joined(story))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path, 1e9) as writer:
            writer.append(live, 0.0)
        stored = [reading for _, reading in Reader(path).readings()]
    again = entries_of([sample_of(each) for each in stored])

    assert [each for each in live if isinstance(each, Reading)] == stored
    assert live == again
    assert all(isinstance(each, Event | Reading) for each in again)


@settings(max_examples=40)
@given(STORY, st.floats(0.1, 10.0))
def test_ages_never_shrink_the_uncertainty_of_what_is_joined(story: Story, more_s: float) -> None:
    """Had a temperature been older, its reading would be no surer."""
    samples = [each for each in joined(story) if each.temperature_C is not None][:1]
    older = [replace(each, temperature_age_s=each.temperature_age_s + more_s) for each in samples]
    for one, other in zip(entries_of(samples), entries_of(older), strict=True):
        if isinstance(one, Reading) and isinstance(other, Reading):
            assert (one.salinity_u or 0.0) <= (other.salinity_u or 0.0)
