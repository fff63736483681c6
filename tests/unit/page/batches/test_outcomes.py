"""What became of a batch: each a word and a shape of its own."""

from __future__ import annotations

import pytest

from daemon.mixing.batch.batch_record import records
from daemon.page.batches.outcomes import LABELS, Outcome, outcome_of
from tests.parts.batch_scene import MadeBatch


@pytest.mark.parametrize(
    "then, present, expected",
    [
        (("ready", "used"), False, Outcome.USED),
        (("used",), False, Outcome.USED_UNRELEASED),
        (("off_target", "discarded"), False, Outcome.DISCARDED),
        (("ready",), True, Outcome.RELEASED),
        (("ready", "stale"), True, Outcome.EXPIRED),
        (("off_target",), True, Outcome.OFF_TARGET),
        ((), True, Outcome.VERIFYING),
        (("ready",), False, Outcome.NO_END),
    ],
)
def test_the_end_or_the_present_phase_is_the_outcome(
    then: tuple[str, ...],
    present: bool,  # noqa: FBT001 - a parameter of the test
    expected: Outcome,
) -> None:
    """Water that was released once and is nowhere now is not called released."""
    (record,) = records(MadeBatch(then=then).events())

    assert expected is outcome_of(record, {record.id} if present else set())


def test_water_under_way_is_said_to_be() -> None:
    """Without salt, and while it mixes."""
    batches = (MadeBatch(final=None, then=()), MadeBatch(steady_min=None, then=()))

    assert [Outcome.NO_SALT, Outcome.MIXING] == [
        outcome_of(records(each.events())[0], {each.id}) for each in batches
    ]


def test_no_two_outcomes_share_a_word_or_a_shape() -> None:
    """Who sees no colour tells them apart, and so does who hears them."""
    assert [*Outcome] == [*LABELS]
    assert len(LABELS) == len({label.word for label in LABELS.values()})
    assert len(LABELS) == len({label.shape for label in LABELS.values()})
