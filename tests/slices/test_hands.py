"""A seeded slice of the long campaign in `tests/campaigns/hands`."""

from __future__ import annotations

import pytest

from tests.campaigns.hands.tables import NEVER
from tests.campaigns.hands.things import ORDINARY, THINGS, play

SEED = 1
DRAWS = {
    "lifted-1-min": 5,
    "lifted-15-min": 3,
    "lifted-1-h": 3,
    "lifted-14-h": 5,
    "beaker-of-tap-water": 2,
    "reference-low": 2,
    "reference-high": 5,
    "washed": 2,
    "out-while-refilled": 3,
    "refilled-at-once": 3,
    "refilled-after-hours": 2,
    "refilled-after-a-word": 2,
    "half-drained": 3,
    "drawn-below-the-probe": 2,
    "two-batches-a-day": 4,
    "five-portions": 5,
    "salt-first": 3,
    "topped-up": 2,
    "dosed-twice": 5,
    "evaporation": 4,
    "eight-hours-without-data": 2,
    "power-cut": 5,
    "fouling": 5,
    "stratified-overnight": 2,
    "tenfold-unit": 2,
}
"""One of forty for each thing, of the first few the one that is soonest over."""


def test_the_slice_has_every_thing() -> None:
    """A thing that is added to the campaign is added here."""
    assert set(THINGS) == set(DRAWS)


@pytest.mark.parametrize("thing", DRAWS)
def test_what_hands_do_changes_no_book_and_makes_nothing_young(thing: str) -> None:
    """No batch ends, begins, grows young or is released wrongly; what must be asked is asked."""
    marks = play(thing, DRAWS[thing], SEED)

    assert [] == marks.faults
    assert dict.fromkeys(NEVER, 0) == {name: getattr(marks, name) for name in NEVER}
    assert (0, marks.books) == (marks.unprepared, marks.kept)


def test_an_ordinary_batch_asks_nothing() -> None:
    """From the purified water to its use."""
    marks = play(ORDINARY, 3, SEED)

    assert [] == marks.faults
    assert (1, 0, 0) == (marks.ordinary, marks.needless, marks.questions)
