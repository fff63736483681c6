"""A forecast of calm water is called one, and a fact is called a fact."""

from __future__ import annotations

import pytest

from daemon.entries import Phase
from daemon.mixing.station.steady import expected_steady, is_late, steady_since
from tests.parts.snapshots import a_snapshot

AT = "2031-05-04T07:10:00.000Z"
NEITHER = (None, None)


@pytest.mark.parametrize(
    "phase, expected, since",
    [
        (Phase.IDLE, *NEITHER),
        (Phase.BLANK, *NEITHER),
        (Phase.DISSOLVING, AT, None),
        (Phase.VERIFYING, None, AT),
        (Phase.READY, None, AT),
        (Phase.OFF_TARGET, None, AT),
        (Phase.STALE, None, AT),
    ],
)
def test_the_phase_says_whether_the_moment_lies_ahead(
    phase: Phase, expected: str | None, since: str | None
) -> None:
    """While salt dissolves it is a forecast, once the water is steady a fact, else nothing."""
    snapshot = a_snapshot(phase=str(phase), stable_at=AT)
    unknown = a_snapshot(phase=str(phase), stable_at=None)

    assert (expected, since) == (expected_steady(snapshot), steady_since(snapshot))
    assert NEITHER == (expected_steady(unknown), steady_since(unknown))


@pytest.mark.parametrize(
    "phase, now, late",
    [
        (Phase.DISSOLVING, "2031-05-04T07:09:59.000Z", False),
        (Phase.DISSOLVING, AT, False),
        (Phase.DISSOLVING, "2031-05-04T07:10:01.000Z", True),
        (Phase.READY, "2031-05-04T07:10:01.000Z", False),
    ],
)
def test_a_forecast_that_has_passed_is_late(phase: Phase, now: str, *, late: bool) -> None:
    """Only while the water is not steady yet; once it is, the moment is a fact."""
    assert late == is_late(a_snapshot(phase=str(phase), stable_at=AT, time=now))
    assert not is_late(a_snapshot(phase=str(phase), stable_at=None, time=now))
