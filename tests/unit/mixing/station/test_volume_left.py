"""How much water of a batch is left, in the present state of its reservoir."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.entries import Instant, Phase
from daemon.journal.shapes import to_object
from daemon.journal.snapshot_codec import reservoir_snapshot
from daemon.mixing.batch.batch_state import BatchState, SaltAddition, Suspension
from daemon.mixing.station.present_state import of_reservoir
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState
from tests.parts.people import a_batch

NINE = Instant(datetime(2026, 3, 2, 9, tzinfo=UTC), 0.0)
SETTINGS = ReservoirSettings("mix-1")


def snapshot_of(
    batch: BatchState, settings: ReservoirSettings | None = SETTINGS
) -> ReservoirSnapshot:
    """The snapshot of a reservoir with this batch."""
    return of_reservoir(ReservoirState(batch=batch), None, settings, NINE, 0.0)


def test_a_released_batch_says_what_is_left_after_use() -> None:
    """As filled, less the 40 L that were recorded as used."""
    bench = a_batch()
    whole_l = bench.snapshot["volume_left_l"]
    bench.send("batch.use", volume_l=40.0)

    assert (180.0, 140.0) == (whole_l, bench.snapshot["volume_left_l"])


def test_the_volume_that_was_recorded_counts_before_the_configured_one() -> None:
    """Salt that went into 60 L is in 60 L, whatever the vessel usually holds."""
    salt = SaltAddition(2400.0, 60.0, 0.0, 0.881, 0.01)

    assert 60.0 == snapshot_of(BatchState(Phase.DISSOLVING, "b-1", salt=salt)).volume_left_l


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.BLANK])
def test_without_salt_in_it_nobody_knows_how_much_water_there_is(phase: Phase) -> None:
    """Nothing tells how far a vessel is filled: unknown, and not 0 L."""
    found = snapshot_of(BatchState(phase, "" if phase is Phase.IDLE else "b-1"))

    assert found.volume_left_l is None
    assert "volume_left_l" not in to_object(found)


def test_of_a_suspended_batch_nobody_knows_what_is_left() -> None:
    """The vessel may have been refilled; of one that is not configured likewise."""
    ready = BatchState(Phase.READY, "b-1")

    assert 180.0 == snapshot_of(ready).volume_left_l
    assert snapshot_of(ready, None).volume_left_l is None
    ready.suspension = Suspension(0.0, "the probe reads air")
    assert snapshot_of(ready).volume_left_l is None


@pytest.mark.parametrize("member", ["", ', "volume_left_l": "much"'])
def test_a_snapshot_without_a_volume_has_an_unknown_one(member: str) -> None:
    """One that an earlier version wrote, or one that is no number, is not read as empty."""
    found = reservoir_snapshot(f'{{"time": "2026-03-02T09:00:00.000Z", "phase": "ready"{member}}}')

    assert found is not None
    assert found.volume_left_l is None
