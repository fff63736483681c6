"""The example dashboard fits what hubs are told, and what it shows is what it says."""

from __future__ import annotations

import re
from pathlib import Path

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.publishing.mqtt.discovery import Announced, announcement
from tests.parts.hub_rules import told_of
from tests.unit.publishing.mqtt.test_discovery import EVERYTHING, OF_RESERVOIR, OWN

DASHBOARD = Path(__file__).parents[4] / "deploy" / "dashboard.yaml"


def entity_ids(told: Announced) -> set[str]:
    """The ids that a hub gives to the entities: from the names of device and entity."""
    payload = told_of(announcement("homeassistant", told))
    return {
        f"{each['platform']}."
        + re.sub(r"[^a-z0-9]+", "_", f"{payload['device']['name']} {each['name']}".lower())
        for each in payload["components"].values()
    }


def test_the_dashboard_has_the_form_of_yaml() -> None:
    """Each line is a key, an item or folded text, set in by twos; no parser of YAML is needed."""
    line_form = re.compile(r"(  )*(- )*([a-z_]+:( .+)?|(- )?[a-z_]+(\.[a-z0-9_]+)?)")
    lines = DASHBOARD.read_text(encoding="utf-8").splitlines()
    folded = [at for at, line in enumerate(lines) if line.endswith(">-")]
    text = {at + more for at in folded for more in (1, 2)}

    assert [] == [
        line
        for at, line in enumerate(lines)
        if line and not line.startswith("#") and at not in text and not line_form.fullmatch(line)
    ]


def test_the_dashboard_names_only_what_is_announced() -> None:
    """Whoever loads the example finds no card without its entity."""
    text = DASHBOARD.read_text(encoding="utf-8")
    named = set(re.findall(r"\b(?:sensor|binary_sensor|button)\.[a-z0-9_]+", text))
    named.remove("button.press")  # what is done to a button

    assert set() == named - entity_ids(EVERYTHING) - entity_ids(OWN)
    assert len(named) > 15


def test_the_dashboard_shows_every_alarm() -> None:
    """An alarm that is added to the catalogue is added to the example too."""
    text = DASHBOARD.read_text(encoding="utf-8")
    alarms = {
        "binary_sensor.quarantine_wing_"
        f"{'mix_1' if name in OF_RESERVOIR else 'station'}_{name.replace('-', '_')}"
        for name in CATALOGUE
    }

    assert set() == {alarm for alarm in alarms if not re.search(rf"\b{alarm}\b", text)}


def test_the_dashboard_says_what_released_water_still_needs() -> None:
    """The caution stands on a card that is there while the phase is `ready`."""
    text = DASHBOARD.read_text(encoding="utf-8")
    (card,) = re.findall(r"- type: conditional\n(?:              .*\n|            .*\n)+", text)

    assert "phase\n                state: ready\n" in card
    assert f"Released: {INDEPENDENT_CHECK}." in card
