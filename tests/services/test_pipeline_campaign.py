"""A slice of the campaign of simulated batches, and that the campaign can find a fault."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from daemon.entries import Event, Instant, Kind
from daemon.journal.event_codec import body_of
from tests.campaigns import batches

STORIES = 12


def test_every_story_with_random_settings_is_judged_rightly() -> None:
    """One run of each story: nothing raised, lawful phases, right verdicts, honest intervals.

    An interval with k=2 holds the truth in 95 of 100 runs; two misses in ten come once in ten
    slices, so more than that is a fault of the interval.
    """
    found = [each for _, each in batches.campaign(STORIES, seed=1)]

    assert [""] * STORIES == [each.raised for each in found]
    assert [True] * STORIES == [each.lawful for each in found]
    assert [True] * STORIES == [each.right for each in found]
    assert [False] * STORIES == [each.false_release for each in found]
    stated = [each.inside for each in found if each.inside is not None]
    assert len(stated) >= 8
    assert stated.count(False) <= 2


def test_a_probe_worse_than_it_says_is_found_out() -> None:
    """With a gain six times its uncertainty off, the campaign sees the false release."""
    run = batches.draw(1, 0)
    character = replace(run.story.character, gain=1.03, temperature_offset_C=0.0)
    story = replace(run.story, character=character)
    found = batches.judge(replace(run, story=story, target=run.story.lands_at + 1.3))

    assert (False, True, False) == (found.right, found.false_release, found.inside)


def test_the_same_numbers_draw_the_same_run() -> None:
    """A run that failed can be had again by its seed and number."""
    assert batches.draw(3, 5) == batches.draw(3, 5)
    assert batches.draw(3, 5) != batches.draw(4, 5)


@pytest.mark.parametrize(
    "steps, lawful",
    [
        ([("idle", "blank"), ("blank", "dissolving"), ("dissolving", "verifying")], True),
        ([("idle", "blank"), ("dissolving", "verifying")], False),
        ([("idle", "blank"), ("blank", "ready")], False),
        ([("blank", "dissolving")], False),
    ],
)
def test_phases_out_of_order_are_seen(steps: list[tuple[str, str]], lawful: bool) -> None:  # noqa: FBT001
    """A step left out, a step that may not be, and a beginning in the middle are unlawful."""
    at = Instant(datetime(2026, 3, 2, 8, 0, tzinfo=UTC), 0.0)
    phases = [
        Event("mix-1", at, "", body_of(Kind.PHASE, {"from": one, "to": two})) for one, two in steps
    ]

    assert lawful == batches.is_lawful(phases)
