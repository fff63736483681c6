"""A hub shows the question about a suspended batch while it waits for an answer."""

from __future__ import annotations

from typing import Any

from daemon.entries import JSON
from daemon.mixing.station.steady import steady_since
from daemon.publishing.mqtt.hub.question_entity import question_entity
from tests.parts.hub_rules import attributes, rendered
from tests.parts.hub_states import entity_states, message_of
from tests.parts.snapshots import a_snapshot, stored

ASKED: dict[str, JSON] = {
    "text": "is the probe out of the water, or was the vessel refilled?",
    "why": "the probe reads 0.00 ppt and read 34.02 ppt before, and no water changes like that",
    "since": "2026-03-02T11:48:00.000Z",
    "answers": ["probe-out", "same-water", "refilled"],
    "answered_by": "",
}


def shown(snapshot: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """State and attributes that a hub makes of a snapshot."""
    entity, message = question_entity("s/hub"), message_of(snapshot)
    return rendered(str(entity["value_template"]), message), attributes(entity, message)


def test_a_question_that_waits_is_its_state_with_why_and_since_beside_it() -> None:
    """A card shows the sentence, and an automation has the rest."""
    snapshot = stored(phase="verifying", question=ASKED)
    state, beside = shown(snapshot)

    assert ASKED["text"] == state
    assert (ASKED["why"], "2026-03-02T11:48:00Z") == (beside["why"], beside["since"])


def test_nobody_knows_since_when_the_water_of_a_suspended_batch_is_steady() -> None:
    """Screens and hubs leave it out alike."""
    steady = stored(phase="verifying", stable_at="2026-03-02T11:20:00.000Z")
    said = [
        (steady_since(a_snapshot(**each)), entity_states(each)["steady-since"])
        for each in (steady, {**steady, "question": ASKED})
    ]

    assert [("2026-03-02T11:20:00.000Z", "2026-03-02T11:20:00Z"), (None, "None")] == said


def test_an_answered_question_is_asked_no_more() -> None:
    """Its state is unknown, and who answered is an attribute."""
    snapshot = stored(phase="verifying", question={**ASKED, "answered_by": "kim"})
    state, beside = shown(snapshot)

    assert ("None", "kim") == (state, beside["answered_by"])


def test_without_a_question_its_state_is_unknown() -> None:
    """The last one does not stay on the dashboard."""
    nothing = {"why": None, "since": None, "answered_by": None}

    assert ("None", nothing) == shown(stored())
    assert "None" == rendered(str(question_entity("s/hub")["value_template"]), {})
