"""A forecast of calm water is called one, and a fact is called a fact."""

from __future__ import annotations

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.steady import expected_steady, steady_since

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
    picture = {"phase": str(phase), "stable_at": AT}

    assert (expected, since) == (expected_steady(picture), steady_since(picture))
    assert NEITHER == (expected_steady({"phase": str(phase)}), steady_since({"phase": str(phase)}))
    unknown = {"phase": str(phase), "stable_at": None}
    assert NEITHER == (expected_steady(unknown), steady_since(unknown))


def test_a_phase_that_is_not_known_says_nothing() -> None:
    """A snapshot of another version is neither."""
    picture = {"phase": "brewing", "stable_at": AT}

    assert NEITHER == (expected_steady(picture), steady_since(picture))
