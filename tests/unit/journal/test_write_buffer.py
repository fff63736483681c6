"""What waits for a journal that cannot be written: thinned evenly, events last, losses counted."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Entry, Event, Instant, Kind, Reading
from daemon.journal.event_codec import body_of
from daemon.journal.write_buffer import AT_ONCE, WriteBuffer
from tests.parts.events import facts_in
from tests.parts.numbered import START, event, reading

NOW = Instant(START, 0.0)


def everything_in(held: WriteBuffer) -> list[Entry]:
    """What a journal that works again is given, in order."""
    found: list[Entry] = []
    while held:
        some = held.next(NOW)
        held.written(some)
        found += some
    return found


def test_readings_are_thinned_over_the_whole_time_and_no_event_goes() -> None:
    """A long outage leaves readings of all its hours, of each probe, and every event."""
    held = WriteBuffer(at_most=400)
    for second in range(5_000):
        held.add([reading(second, "ct-1"), reading(second, "ct-2")])
        if second % 100 == 0:
            held.add([event(second)])

    kept = everything_in(held)

    for probe in ("ct-1", "ct-2"):
        times = [e.at.mono_s for e in kept if isinstance(e, Reading) and e.probe == probe]
        assert times == sorted(times)
        assert times[0] < 50
        assert times[-1] > 4950
        assert max(b - a for a, b in pairwise(times)) < 100
    assert 50 == sum(isinstance(e, Event) and e.kind is Kind.PHASE for e in kept)


def test_what_was_lost_is_counted_and_said_once() -> None:
    """One event tells how many readings of which time are missing, and is not told again."""
    held = WriteBuffer(at_most=100)
    held.add([reading(second) for second in range(150)])
    kept = everything_in(held)

    (told,) = [e for e in kept if isinstance(e, Event)]
    lost = 150 - (len(kept) - 1)
    assert facts_in(told)["state"] == "entries lost"
    assert (lost, 0) == (facts_in(told)["readings"], facts_in(told)["events"])
    assert held.lost == lost
    held.add([reading(151)])
    assert [reading(151)] == everything_in(held)


@given(st.lists(st.sampled_from(["a", "b", "event", "forecast"]), max_size=300), st.integers(5, 60))
def test_nothing_goes_uncounted(kinds: list[str], at_most: int) -> None:
    """Held and lost together are all that came, never more than allowed, in order."""
    held = WriteBuffer(at_most)
    for second, kind in enumerate(kinds):
        if kind == "forecast":
            one = event(second)
            held.add([Event(one.reservoir, one.at, one.batch, body_of(Kind.FORECAST, {}))])
        else:
            held.add([event(second) if kind == "event" else reading(second, kind)])
        assert len(held) <= at_most
    lost = held.lost

    kept = everything_in(held)

    told = [e for e in kept if isinstance(e, Event) and e.kind is Kind.DEVICE]
    assert len(kinds) == len(kept) - len(told) + lost
    assert lost == sum(int(str(facts_in(e)[name])) for e in told for name in ("readings", "events"))
    times = [e.at.mono_s for e in kept if e not in told]
    assert times == sorted(times)


def test_one_turn_writes_no_more_than_it_may() -> None:
    """Catching up goes by pieces, and nothing is left out or given twice between them."""
    held = WriteBuffer()
    held.add([reading(second) for second in range(2 * AT_ONCE + 1)])

    first = held.next(NOW)
    held.written(first)

    assert len(first) == AT_ONCE
    assert [*range(AT_ONCE, 2 * AT_ONCE + 1)] == [e.at.mono_s for e in everything_in(held)]
