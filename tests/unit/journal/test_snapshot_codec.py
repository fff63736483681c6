"""Snapshots of another version: read as far as they go, in the words of today."""

from __future__ import annotations

import json

import pytest

from daemon.entries import JSON, Phase
from daemon.journal.snapshot_codec import reservoir_snapshot, station_snapshot
from daemon.mixing.alarm.alarm_state import LifecycleState

HEAD: dict[str, JSON] = {"time": "2026-03-02T08:51:00.000Z", "phase": "ready"}
FORMER: dict[str, JSON] = {
    "reading-stale": {"state": "suppressed", "active": True, "why": "old", "chatters": True},
    "salt-low": {"state": "unacknowledged", "priority": "low", "since": "2026-03-02T08:00:00.000Z"},
}


def test_alarms_of_a_former_name_and_state_are_those_of_today() -> None:
    """The snapshot that the version before left is read until measuring writes another."""
    found = reservoir_snapshot(
        json.dumps({**HEAD, "alarms": ["reading-stale"], "alarm_details": FORMER})
    )

    assert found is not None
    assert ("reading-overdue",) == found.alarms
    assert ["reading-overdue", "salt-low"] == [*found.alarm_details]
    overdue = found.alarm_details["reading-overdue"]
    assert (LifecycleState.SUPPRESSED_BY_DESIGN, True) == (overdue.state, overdue.repeating)


@pytest.mark.parametrize("state", ["cooking", None, 7, ""])
def test_a_state_that_nobody_knows_needs_a_person(state: JSON) -> None:
    """Unknown is never normal."""
    found = station_snapshot(
        json.dumps({"time": HEAD["time"], "alarm_details": {"storage-low": {"state": state}}})
    )

    assert found is not None
    assert LifecycleState.UNACKNOWLEDGED == found.alarm_details["storage-low"].state


@pytest.mark.parametrize(
    "text", ["", "{", "7", "[]", "null", json.dumps({"phase": "ready"}), json.dumps({"time": "x"}),
             json.dumps({**HEAD, "phase": "brewing"})],
)  # fmt: skip
def test_what_says_neither_when_nor_which_phase_is_none(text: str) -> None:
    """It is soon written again; until then nothing is known."""
    assert reservoir_snapshot(text) is None


def test_what_does_not_fit_is_left_out_and_the_rest_stays() -> None:
    """A salinity that is no number is unknown, not zero."""
    found = reservoir_snapshot(
        json.dumps({**HEAD, "salinity": "much", "batch": "mix-1-20260302-1", "new": {"x": 1}})
    )

    assert found is not None
    assert (None, "mix-1-20260302-1", Phase.READY) == (found.salinity, found.batch, found.phase)
