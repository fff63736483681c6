"""What became of a batch: each a word and a shape of its own."""

from __future__ import annotations

from datetime import timedelta

import pytest

from daemon.mixing.batch.batch_record import records
from daemon.page.batches.outcomes import LABELS, Outcome, Present, outcome_of
from daemon.records.batch_index import use_by_of
from tests.parts.batch_scene import START, MadeBatch

NOW = START + timedelta(hours=2)


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

    assert expected is outcome_of(record, Present({record.id} if present else set(), NOW))


def test_water_under_way_is_said_to_be() -> None:
    """Without salt, and while it mixes."""
    batches = (MadeBatch(final=None, then=()), MadeBatch(steady_min=None, then=()))

    assert [Outcome.NO_SALT, Outcome.MIXING] == [
        outcome_of(records(each.events())[0], Present({each.id}, NOW)) for each in batches
    ]


def test_no_two_outcomes_share_a_word_or_a_shape() -> None:
    """Who sees no colour tells them apart, and so does who hears them."""
    assert [*Outcome] == [*LABELS]
    assert len(LABELS) == len({label.word for label in LABELS.values()})
    assert len(LABELS) == len({label.shape for label in LABELS.values()})


def test_water_past_its_use_by_is_not_released_whoever_has_noticed() -> None:
    """Where measuring stopped, nobody wrote into the journal that it expired."""
    batch = MadeBatch(then=("ready",))
    (record,) = records(batch.events())
    released = batch.at(31).wall
    hours = {"mix-1": 24.0}

    assert [Outcome.RELEASED, Outcome.EXPIRED, Outcome.RELEASED] == [
        outcome_of(record, Present({batch.id}, released + timedelta(hours=after), within))
        for after, within in ((23.9, hours), (24.0, hours), (99.0, {}))
    ]


def test_the_use_by_that_was_recorded_counts() -> None:
    """It counts from the first release, and by the hours that were configured then."""
    batch = MadeBatch(then=())
    until = batch.at(300).wall
    ready = batch.phase(31, "verifying", "ready", use_by=until.isoformat())
    (record,) = records([*batch.events(), ready])

    assert (until, None) == (use_by_of(record, 24.0), use_by_of(records(batch.events())[0], 24.0))
    assert Outcome.EXPIRED is outcome_of(record, Present({batch.id}, until, {"mix-1": 24.0}))
