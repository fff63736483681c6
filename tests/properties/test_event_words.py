"""Every event has words for a person."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from hypothesis import given

from daemon.entries import Event, Instant
from daemon.mixing.events import AdviceGiven
from daemon.records.event_text import sentence_of
from tests.properties.test_event_codec import bodies

NOON = Instant(datetime(2026, 3, 2, 12, tzinfo=UTC), 0.0)


@given(bodies())
def test_no_event_is_without_words(body: Any) -> None:  # noqa: ANN401 - any of the shapes
    """Whatever this version writes; advice is its own words."""
    text = sentence_of(Event("mix-1", NOON, "b-1", body), UTC)

    assert bool(text) == (not isinstance(body, AdviceGiven) or bool(body.advice))
