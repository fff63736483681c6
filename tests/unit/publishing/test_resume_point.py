"""What was acknowledged but not yet written down on the other side comes again after a fault."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.journal.cursors import Cursors, Refusal
from daemon.publishing.resume_point import ResumePoint

CURSOR = "mqtt@journal"
SPAN_S = 5.0


class Hands:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        """Where it stands, s."""
        return self.now_s


@pytest.fixture
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    """Positions in a file."""
    with Cursors(tmp_path / "cursors.db") as one:
        yield one


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("deliver"), st.integers(1, 5)),
        st.tuples(st.just("pass"), st.sampled_from([0.5, 1.0, 4.9, 5.0, 30.0])),
        st.tuples(st.just("idle"), st.just(0)),
        st.tuples(st.sampled_from(["crash", "crash of both"]), st.just(0)),
    ),
    max_size=40,
)


@settings(max_examples=60)
@given(STEPS)
def test_no_crash_takes_what_does_not_come_again(steps: list[tuple[str, float]]) -> None:
    """The other side forgets all that it acknowledged within the span; following goes on there."""
    hands, acknowledged = Hands(), [(0.0, 0)]
    with TemporaryDirectory() as folder, Cursors(Path(folder) / "cursors.db") as cursors:
        position = ResumePoint(cursors, SPAN_S, hands)
        for what, amount in steps:
            at = position.of(CURSOR)
            if what == "deliver":
                position.advance(CURSOR, at + int(amount))
                acknowledged.append((hands.now_s, at + int(amount)))
                position.worked()
            elif what == "pass":
                hands.now_s += amount
            elif what == "idle":
                position.worked()
            else:
                kept = [seq for when, seq in acknowledged if hands.now_s - when >= SPAN_S]
                acknowledged = [(-SPAN_S, max(kept, default=0))]
                position.go_back()
                if what == "crash of both":
                    position = ResumePoint(cursors, SPAN_S, hands)
                assert position.of(CURSOR) <= acknowledged[0][1]


def test_what_was_kept_long_enough_does_not_come_again(cursors: Cursors) -> None:
    """Once the span is over with the other side there, neither a fault nor a restart goes back."""
    hands = Hands()
    position = ResumePoint(cursors, SPAN_S, hands)
    assert 0 == position.of(CURSOR)
    position.advance(CURSOR, 7)
    hands.now_s += SPAN_S
    position.go_back()
    assert 0 == position.of(CURSOR), "nobody saw the other side since"
    position.advance(CURSOR, 7)
    hands.now_s += SPAN_S
    position.worked()
    position.go_back()

    assert 7 == position.of(CURSOR)
    assert 7 == ResumePoint(cursors, SPAN_S, hands).of(CURSOR)


def test_the_cursor_itself_moves_with_each_acknowledgement(cursors: Cursors) -> None:
    """What is reported of a backlog does not wait for what the other side writes down."""
    position = ResumePoint(cursors, SPAN_S, Hands())
    position.of(CURSOR)
    position.advance(CURSOR, 7)

    assert 7 == cursors.of(CURSOR)


def test_positions_of_a_version_that_knew_no_trail_are_taken_over(cursors: Cursors) -> None:
    """An upgrade sends nothing again."""
    cursors.advance(CURSOR, 41)

    assert 41 == ResumePoint(cursors, SPAN_S, Hands()).of(CURSOR)


def test_without_a_span_nothing_comes_again(cursors: Cursors) -> None:
    """Who writes down before he acknowledges is followed from the last acknowledgement."""
    position = ResumePoint(cursors, 0.0, Hands())
    position.of(CURSOR)
    position.advance(CURSOR, 9)
    position.go_back()

    assert 9 == position.of(CURSOR)
    assert 9 == ResumePoint(cursors, 0.0, Hands()).of(CURSOR)


def test_a_restored_journal_takes_both_positions_back(cursors: Cursors) -> None:
    """What the restored journal will hold under the same numbers is published."""
    hands = Hands()
    position = ResumePoint(cursors, SPAN_S, hands)
    position.of(CURSOR)
    position.advance(CURSOR, 9)
    hands.now_s += SPAN_S
    position.worked()
    position.rewind(CURSOR, 4)

    assert 4 == position.of(CURSOR)
    assert 4 == ResumePoint(cursors, SPAN_S, hands).of(CURSOR)


def test_what_is_refused_for_good_is_counted_once(cursors: Cursors, tmp_path: Path) -> None:
    """An entry that comes again and is refused again is the same one."""
    position = ResumePoint(cursors, SPAN_S, Hands())
    for seqs, last in (((2,), 3), ((2,), 3), ((2, 5), 5)):
        position.go_back()
        position.of(CURSOR)
        position.advance(CURSOR, last, Refusal(seqs, "no such unit"))
    with closing(sqlite3.connect(tmp_path / "cursors.db")) as db:
        found = db.execute("SELECT refused FROM sinks").fetchall()

    assert [(2,)] == found


def test_marks_of_before_a_fault_count_for_nothing_after_it(cursors: Cursors) -> None:
    """Delivered, forgotten, waited, seen again: that it is there says nothing of what it had."""
    hands = Hands()
    position = ResumePoint(cursors, SPAN_S, hands)
    assert 0 == position.of(CURSOR)
    position.advance(CURSOR, 7)
    position.go_back()
    hands.now_s += 2 * SPAN_S
    position.worked()
    position.go_back()

    assert 0 == position.of(CURSOR)
    assert 0 == ResumePoint(cursors, SPAN_S, hands).of(CURSOR)


def test_a_second_episode_is_that_of_a_fresh_trail(cursors: Cursors, tmp_path: Path) -> None:
    """Delivered, kept, and a fault: once, and again from where the first ended."""
    used, hands = ResumePoint(cursors, SPAN_S, Hands()), Hands()
    used.clock = hands
    seen = []
    for _ in range(2):
        begin = used.of(CURSOR)
        used.advance(CURSOR, begin + 5)
        hands.now_s += SPAN_S
        used.worked()
        used.advance(CURSOR, begin + 9)
        used.go_back()
        seen.append(used.of(CURSOR) - begin)

    assert [5, 5] == seen
