"""The entity of a hub that shows what a person is asked about a suspended batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.entries import JSON


def question_entity(here: str) -> dict[str, JSON]:
    """Return the entity of what a person is asked about a suspended batch.

    It is unknown while nothing is asked; why it is asked, and since when, are attributes.

    Args:
        here: Topic of the reservoir's snapshot.
    """
    asked = "(value_json.question | default({}, true))"
    return {
        "platform": "sensor",
        "name": "Question",
        "icon": "mdi:help-circle-outline",
        "value_template": (
            f"{{% set asked = {asked} %}}{{{{ (asked.text[:250] if asked.text is defined"
            " and not asked.answered_by | default('', true) else none) }}"
        ),
        "json_attributes_topic": here,
        "json_attributes_template": (
            f"{{% set asked = {asked} %}}"
            "{{ {'why': asked.why | default(none), 'since': asked.since | default(none),"
            " 'answered_by': asked.answered_by | default(none)} | tojson }}"
        ),
    }
