"""The record of a batch is told by its events alone."""

from __future__ import annotations

from daemon.entries import Event, Kind
from daemon.journal.event_codec import body_of, facts_of
from daemon.mixing.batch.batch_record import records
from tests.parts.events import facts_in
from tests.parts.stories import mixed, of


def test_a_batch_is_reported_from_its_events() -> None:
    """When it began, was salted, steady, released, disturbed and ended, and what it measured."""
    entries = mixed().ramp(2, 32.4).still(45).refilled().dissolve(34.0, 4).play()
    events = [each for each in entries if isinstance(each, Event)]
    old, new = records(events)
    stabilised = of(entries, Kind.STABILISED)
    disturbed = sum(event.batch == old.id for event in of(entries, Kind.DISTURBED))
    moments = {str(facts_in(e)["to"]): e.at.wall for e in reversed(of(entries, Kind.PHASE))}

    assert ("mix-1-20260302-1", "mix-1", "used") == (old.id, old.reservoir, old.phase)
    assert (events[0].at.wall, moments["dissolving"]) == (old.began, old.salted)
    assert (stabilised[-1].at.wall, moments["ready"]) == (old.stabilised, old.released)
    assert (facts_of(stabilised[-1].body)["salinity"], disturbed) == (old.salinity, old.disturbed)
    assert (new.began, None) == (old.ended, new.ended)
    assert ("mix-1-20260302-2", "dissolving") == (new.id, new.phase)
    assert len(events) == len(old.events) + len(new.events)


def test_events_of_no_batch_make_no_record() -> None:
    """A fault of a probe before any batch is not a batch."""
    event = next(e for e in mixed(minutes=5).silence(5).play() if isinstance(e, Event))

    assert [] == records(
        [Event(event.reservoir, event.at, "", body_of(Kind.DEVICE, {"state": "fault"}))]
    )


def test_facts_of_the_wrong_kind_are_left_out() -> None:
    """A journal of another version is read as far as it goes."""
    at = mixed(minutes=5).samples[0].at
    (record,) = records([Event("mix-1", at, "b-1", body_of(Kind.STABILISED, {"salinity": "much"}))])

    assert (None, None, at.wall) == (record.salinity, record.salinity_u, record.stabilised)
