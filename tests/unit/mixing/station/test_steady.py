"""What is expected of the water is said as a forecast, and a fact as a fact."""

from __future__ import annotations

from datetime import UTC

import pytest

from daemon.entries import JSON, Phase
from daemon.local_time import CLOCK, local_iso
from daemon.mixing.station.steady import expected_now, steady_since
from tests.parts.snapshots import a_snapshot

AT = "2031-05-04T07:10:00.000Z"
AHEAD: dict[str, JSON] = {
    "expected_ready_at": AT,
    "expected_ready_low": "2031-05-04T07:02:00.000Z",
    "expected_ready_high": "2031-05-04T07:31:00.000Z",
}
FINAL: dict[str, JSON] = {
    "final_salinity": 33.92,
    "final_u": 0.1,
    "final_low": 33.78,
    "final_high": 34.04,
}


def clock(moment: str) -> str:
    """Return the time of day."""
    return local_iso(moment, UTC, CLOCK)


@pytest.mark.parametrize(
    "phase, ahead, since",
    [
        (Phase.IDLE, False, None),
        (Phase.BLANK, False, None),
        (Phase.DISSOLVING, True, None),
        (Phase.VERIFYING, False, AT),
        (Phase.READY, False, AT),
        (Phase.OFF_TARGET, False, AT),
        (Phase.STALE, False, AT),
    ],
)
def test_the_phase_says_whether_the_moment_lies_ahead(
    phase: Phase, since: str | None, *, ahead: bool
) -> None:
    """While salt dissolves it is a forecast, once the water is steady a fact, else nothing."""
    snapshot = a_snapshot(phase=str(phase), stable_at=AT, **AHEAD)

    assert ahead == bool(expected_now(snapshot, clock)[1])
    assert since == steady_since(snapshot)


@pytest.mark.parametrize(
    "facts, label, text",
    [
        (AHEAD, "expected release", "about 07:10 (07:02 to 07:31 UTC)"),
        (
            {**AHEAD, **FINAL},
            "expected release",
            "about 07:10 (07:02 to 07:31 UTC), at 33.9 ppt (33.8 to 34.0)",
        ),
        (
            {**AHEAD, "forecast_note": "release then needs a confirmation"},
            "expected steady",
            "about 07:10 (07:02 to 07:31 UTC); release then needs a confirmation",
        ),
        (
            {"forecast_note": "no forecast yet: too soon"},
            "expected release",
            "no forecast yet: too soon",
        ),
    ],
)
def test_a_forecast_says_when_and_what_release_needs_or_why_there_is_none(
    facts: dict[str, JSON], label: str, text: str
) -> None:
    """The time with its interval; a release that needs more than time is not called expected."""
    snapshot = a_snapshot(phase=str(Phase.DISSOLVING), **facts)

    assert (label, text) == expected_now(snapshot, clock)
