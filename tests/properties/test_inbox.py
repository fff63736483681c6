"""The inbox under any order of sending, sending again, taking and being killed."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.journal.inbox import CannotBeSentError
from tests.parts.inboxes import made

acts = st.lists(
    st.one_of(
        st.tuples(st.just("send"), st.integers(0, 15)),
        st.tuples(st.just("look"), st.integers(1, 4)),
        st.tuples(st.just("note"), st.just(0)),
        st.tuples(st.just("killed"), st.just(0)),
    ),
    max_size=25,
)
anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(acts)
@settings(max_examples=30)
def test_each_id_is_carried_out_once_and_in_order(happenings: list[tuple[str, int]]) -> None:
    """By a taker that keeps its place with what it did, and tells the inbox later or never."""
    with tempfile.TemporaryDirectory() as folder:
        inbox, sent, done = made(Path(folder) / "journal.db"), list[str](), list[str]()
        place = kept = 0
        for what, amount in happenings:
            if what == "send" and inbox.submit(f"id-{amount}", "k", "cli", "v"):
                sent.append(f"id-{amount}")
            elif what == "look":
                for each in inbox.after(place, amount):
                    done.append(each.id)
                    place = kept = each.number
            elif what == "note" and place:
                inbox.taken(place)
            elif what == "killed":
                place = inbox.go_on_from(kept)
        done += [each.id for each in inbox.after(place)]

    assert sent == done
    assert len(set(done)) == len(done)


@given(st.dictionaries(st.text(), anything, max_size=5))
@settings(max_examples=40)
def test_what_is_taken_comes_out_the_same(facts: dict[str, Any]) -> None:
    """Any JSON comes back as it was, or is refused when it is sent."""
    with tempfile.TemporaryDirectory() as folder:
        inbox = made(Path(folder) / "journal.db")
        try:
            inbox.submit("id-1", "k", "mqtt", "v", "", facts)
        except CannotBeSentError:
            assert [] == inbox.after(0)
            return
        (found,) = inbox.after(0)

    assert facts == found.facts
