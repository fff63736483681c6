"""How old a picture is: told against the wall clock, which the tests own."""

from __future__ import annotations

from datetime import UTC

import pytest
from freezegun import freeze_time

from daemon.cli.status import _as_of

TAKEN = "2026-03-02T10:00:00.000Z"
SHOWN = "2026-03-02 10:00:00 UTC"


@pytest.mark.parametrize(
    "now, told",
    [
        ("2026-03-02T10:00:30Z", SHOWN),
        ("2026-03-02T10:05:00Z", f"{SHOWN}, 5 min ago: is the service running?"),
        ("2026-03-02T09:00:00Z", SHOWN),
    ],
)
def test_an_old_snapshot_asks_whether_the_service_runs(now: str, told: str) -> None:
    """Half a minute is fresh, five minutes are not, and a clock set back is no reproach."""
    with freeze_time(now):
        assert told == _as_of(TAKEN, UTC, real_time=True)


def test_the_faster_time_of_a_rehearsal_is_not_checked_against_the_wall_clock() -> None:
    """A rehearsal's pictures are dated by its own time."""
    with freeze_time("2026-03-02T12:00:00Z"):
        assert _as_of(TAKEN, UTC, real_time=False) == f"{SHOWN}, of a rehearsal"
