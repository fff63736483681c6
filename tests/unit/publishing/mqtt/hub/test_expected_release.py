"""The release that is expected, as a hub has it."""

from __future__ import annotations

from tests.parts.hub_states import PICTURE, entity_states


def test_a_release_that_needs_more_than_time_has_no_expected_moment() -> None:
    """The moment of steadiness is shown, and the note beside it, but none of release."""
    note = "release then needs a confirmation"
    found = entity_states(
        PICTURE
        | {
            "phase": "dissolving",
            "expected_ready_at": "2031-05-04T09:20:00.000Z",
            "forecast_note": note,
        }
    )

    assert "None" == found["expected-release"]
    assert "2031-05-04T09:20:00Z" == found["expected-steady"]
    assert note == found["forecast-note"]
