"""What the journal tells of the end of measuring, and of the station itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.station.snapshot import StationSnapshot
from tests.parts.snapshots import own_snapshot_in, snapshots_in
from tests.parts.stories import MORNING

BEGAN, ENDED, OTHER = "measuring began", "measuring ended", "alarm flood began"


@pytest.mark.parametrize(
    "states, unasked",
    [
        ([], False),
        ([BEGAN], True),
        ([BEGAN, ENDED], False),
        ([BEGAN, ENDED, BEGAN, OTHER], True),
        ([BEGAN, ENDED, OTHER], False),
    ],
)
def test_measuring_that_did_not_say_that_it_ended_was_not_asked_to(
    tmp_path: Path, states: list[str], *, unasked: bool
) -> None:
    """What a probe says of itself under the same words is nothing of the station's."""
    path = tmp_path / "journal.db"
    with Writer(path) as writer:
        for n, state in enumerate([*states, "fault"]):
            place = "mix-1" if state == "fault" else ""
            at = Instant(MORNING, float(n))
            writer.append([Event(place, at, "", body_of(Kind.DEVICE, {"state": state}))], float(n))

    assert unasked == Reader(path).ended_unasked()


AT = "2026-03-02T08:00:00.000Z"


def test_the_stations_own_snapshot_is_kept_apart_from_those_of_reservoirs(tmp_path: Path) -> None:
    """Whoever reads the pictures of reservoirs does not meet it."""
    path = tmp_path / "journal.db"
    began = Event("", Instant(MORNING, 0.0), "", body_of(Kind.DEVICE, {"state": BEGAN}))
    snapshots: dict[str, JSON] = {
        "": {"time": AT, "alarms": ["storage-low"]},
        "mix-1": {"time": AT, "phase": "idle"},
    }
    with Writer(path) as writer:
        writer.append([began], 0.0)
        assert own_snapshot_in(Reader(path)) is None
        writer.append(
            [began],
            0.0,
            snapshots,
        )

    own = Reader(path).station_snapshot()
    assert StationSnapshot(AT, ("storage-low",)) == own
    assert ["mix-1"] == [*snapshots_in(Reader(path))]
