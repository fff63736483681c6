"""Lots of salt mix, read out of the station's state alone."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from daemon.journal.checkpoint import dump
from daemon.journal.stored_lots import stored_lots
from daemon.mixing.batch.lots import Lot, Weighing
from daemon.mixing.station.station_state import StationState
from daemon.mixing.station.timeline import Timeline

LOT = Lot(
    "blue-7",
    "L 4711",
    20_000.0,
    5_000.0,
    "2031-04-30",
    None,
    [Weighing(86_400.0, 0.88, 0.006, "b")],
)


def checkpoint() -> str:
    """The state of a station with one lot."""
    state = StationState(timeline=Timeline(2_000_000.0))
    state.lots = {LOT.name: LOT}
    return dump(state)


def test_lots_come_back_as_the_station_stored_them() -> None:
    """With the time on whose clock their weighings are."""
    assert ({"blue-7": LOT}, 2_000_000.0) == stored_lots(checkpoint())


def test_the_state_of_another_version_gives_its_lots_too() -> None:
    """Before there was a mark of its shape it stood alone, and lots may be the newer part."""
    whole = json.loads(checkpoint())
    of_before = {name: each for name, each in whole["state"].items() if name != "lots"}

    assert ({"blue-7": LOT}, 2_000_000.0) == stored_lots(json.dumps(whole["state"]))
    assert ({"blue-7": LOT}, 2_000_000.0) == stored_lots(json.dumps(whole | {"shape": "other"}))
    assert ({}, 2_000_000.0) == stored_lots(json.dumps(of_before))


@pytest.mark.parametrize(
    "text", ["", "[]", "null", "{}", '{"state": {"timeline": 3}}', '{"state": {"lots": []}}']
)
def test_what_cannot_be_read_holds_no_lots(text: str) -> None:
    """A damaged state is no traceback on a page."""
    assert ({}, 0.0) == stored_lots(text)


def test_the_history_of_lots_needs_no_detector() -> None:
    """A page of lots loads nothing of what finds the end of mixing."""
    program = "import sys, daemon.records.lot_history\nprint(*sys.modules)"
    found = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    ).stdout.split()

    assert [] == [each for each in found if each.startswith("daemon.mixing.stability")]
