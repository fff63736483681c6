"""A new batch takes over what outlives a batch, and nothing else."""

from __future__ import annotations

from dataclasses import fields

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import (
    Advice,
    Age,
    BatchIdentity,
    BatchSettings,
    BatchState,
    Judgement,
    SaltAddition,
    SecondReading,
    Suspension,
    Volume,
    WaterLevels,
)
from daemon.mixing.batch.suspect_fall import standing_of

OUTLIVES = {"phase", "ended", "lot"}
IDENTITY = {"id": "new", "day": "20260303", "count": 1}


def worn() -> BatchState:
    """A batch in which no field has its first value."""
    return BatchState(
        phase=Phase.READY,
        id="old",
        day="20260302",
        count=2,
        ended={"older": "used"},
        lot="blue",
        levels=WaterLevels(0.0, 34.0, 33.0, 5.0, 6.0, 34.0),
        dissolving_since_s=7.0,
        remaining=0.1,
        judgement=Judgement(34.0, 0.1, 0.02, 34.1, 3, 0.99, 8.0, [34.0], 8.0, 34.1, 34.0),
        temperature_C=24.0,
        age=Age(9.0, was_released=True, remix_advised_s=10.0),
        salt=SaltAddition(7060.0, 180.0, 0.0, 0.88, 0.03),
        confirmed_by="R. Marsh",
        second=SecondReading(34.1, 0.2, "the hydrometer"),
        used_l=60.0,
        impure=True,
        advice=Advice("add water", "outside", None, 5.0),
        dissolving_why="salt was added",
        drifted_s=9.0,
        contradicted_s=9.5,
        step_mS_cm=0.01,
        impure_since_s=3.0,
        impure_from_uS_cm=60.0,
        volume=Volume(189.0, 34.0, 35.7),
        suspension=Suspension(11.0, "it reads nothing", was_ready=True),
        place_hold="it reads nothing",
        standing=standing_of(BatchState(), BatchSettings()),
    )


def test_the_worn_batch_has_every_field_set() -> None:
    """A field that is added to batches must be set here, or the test below proves nothing."""
    fresh = BatchState()

    assert [] == [
        each.name
        for each in fields(fresh)
        if getattr(fresh, each.name) == getattr(worn(), each.name)
    ]


def test_a_new_batch_takes_over_phase_ended_batches_and_lot_alone() -> None:
    """Salt, judgement, age, advice and second reading are those of the batch before."""
    state, fresh, before = worn(), BatchState(), worn()
    state.replace_batch(BatchIdentity("new", "20260303", 1))

    for each in fields(state):
        expected = getattr(before if each.name in OUTLIVES else fresh, each.name)
        assert IDENTITY.get(each.name, expected) == getattr(state, each.name), each.name
