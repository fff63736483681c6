"""When a snapshot and a checkpoint are written, and when not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Kind
from daemon.measure.schedule import CheckpointSchedule, SnapshotSchedule
from tests.parts.numbered import event, reading


def test_a_reading_renews_a_snapshot_after_half_a_minute() -> None:
    """That of its reservoir, and that of the station with it."""
    snapshots = SnapshotSchedule()

    assert ["", "mix-1"] == snapshots.due([reading(0)], 100.0)
    snapshots.written(["", "mix-1"], 100.0)
    assert [] == snapshots.due([reading(1)], 129.9)
    assert ["", "mix-1"] == snapshots.due([reading(2)], 130.0)


def test_an_event_renews_the_snapshot_of_its_reservoir_at_once() -> None:
    """And of no other one."""
    snapshots = SnapshotSchedule()
    snapshots.written(["", "mix-1", "mix-2"], 100.0)

    assert ["mix-1"] == snapshots.due([event(1), reading(1)], 101.0)
    assert [""] == snapshots.due([replace(event(1), reservoir="")], 101.0)


def test_a_snapshot_that_was_not_written_stays_due() -> None:
    """To be due is not to be in the journal."""
    snapshots = SnapshotSchedule()
    snapshots.due([reading(0)], 100.0)

    assert ["", "mix-1"] == snapshots.due([reading(1)], 101.0)


def test_a_checkpoint_is_due_at_first_and_every_ten_minutes() -> None:
    """Readings alone make none in between."""
    checkpoints = CheckpointSchedule()

    assert checkpoints.due([reading(0)], 100.0)
    checkpoints.written(100.0)
    assert not checkpoints.due([reading(1)], 699.9)
    assert checkpoints.due([reading(2)], 700.0)


def test_a_change_of_phase_makes_a_checkpoint_at_once() -> None:
    """What a restart must know is kept with the event that says it."""
    checkpoints = CheckpointSchedule()
    checkpoints.written(100.0)

    assert Kind.PHASE is event(1).kind
    assert checkpoints.due([reading(1), event(1)], 101.0)


@pytest.mark.parametrize("owed", [True, False])
def test_a_checkpoint_that_is_owed_comes_with_the_next_entries(*, owed: bool) -> None:
    """As after a batch of entries that was cut, whose last one is not the newest."""
    checkpoints = CheckpointSchedule()
    checkpoints.written(100.0)
    checkpoints.owed = owed

    assert owed is checkpoints.due([reading(1)], 101.0)
