"""The entity of a hub that shows what a person is asked about a suspended batch."""

from __future__ import annotations

from daemon.entries import JSON
from daemon.publishing.mqtt.hub.entity_builders import attributes, text


def question_entity(here: str) -> dict[str, JSON]:
    """Return the entity of what a person is asked about a suspended batch.

    It is unknown while nothing is asked; why it is asked, since when, and who answered are
    attributes.

    Args:
        here: The topic that hubs read of the reservoir.
    """
    return text("Question", "question", "mdi:help-circle-outline") | attributes(
        here,
        {
            "why": "value_json.question_why | default(none)",
            "since": "value_json.question_since | default(none)",
            "answered_by": "value_json.question_answered_by | default(none)",
        },
    )
