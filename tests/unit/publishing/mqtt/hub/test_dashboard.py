"""The example dashboard fits what hubs are told, and what it shows is what it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from tests.parts.hub_rules import payload_of
from tests.parts.hub_states import EVERYTHING, OF_RESERVOIR, OWN

DASHBOARD = Path(__file__).parents[5] / "deploy" / "dashboard.yaml"
DASHBOARD_TEXT = DASHBOARD.read_text(encoding="utf-8")


def entity_ids(told: HubDevice) -> set[str]:
    """The ids that a hub gives to the entities: from the names of device and entity."""
    payload = payload_of(announcement("homeassistant", told))
    return {
        f"{each['platform']}."
        + re.sub(r"[^a-z0-9]+", "_", f"{payload['device']['name']} {each['name']}".lower())
        for each in payload["components"].values()
    }


def test_the_dashboard_has_the_form_of_yaml() -> None:
    """Each line is a key, an item or folded text, set in by twos; no parser of YAML is needed."""
    line_form = re.compile(r"(  )*(- )*([a-z_]+:( .+)?|(- )?[a-z_]+(\.[a-z0-9_]+)?)")
    lines = DASHBOARD_TEXT.splitlines()
    folded = [at for at, line in enumerate(lines) if line.endswith(">-")]
    text = {at + more for at in folded for more in (1, 2)}

    assert [] == [
        line
        for at, line in enumerate(lines)
        if line and not line.startswith("#") and at not in text and not line_form.fullmatch(line)
    ]


def test_the_dashboard_names_only_what_is_announced() -> None:
    """Whoever loads the example finds no card without its entity."""
    named = set(re.findall(r"\b(?:sensor|binary_sensor|button)\.[a-z0-9_]+", DASHBOARD_TEXT))
    named.remove("button.press")  # what is done to a button

    assert set() == named - entity_ids(EVERYTHING) - entity_ids(OWN)
    assert len(named) > 15


def salinity_sentence(state: str) -> str:
    """What the card below the gauge says of a state of the salinity sensor."""
    (content,) = re.findall(r"content: >-\n((?: +.*\n){2}) +- type: tile", DASHBOARD_TEXT)
    template = ImmutableSandboxedEnvironment().from_string(" ".join(content.split()))
    said: str = template.render(states={"sensor.quarantine_wing_mix_1_salinity": state}.__getitem__)
    return said


@pytest.mark.parametrize(
    "state, sentence",
    [
        ("unknown", "Salinity: unknown"),
        ("unavailable", "Salinity: unknown"),
        ("32.99", "▲ Outside the limits, 33 to 35 ppt"),
        ("33.0", "Inside the limits, 33 to 35 ppt"),
        ("35.0", "Inside the limits, 33 to 35 ppt"),
        ("35.01", "▲ Outside the limits, 33 to 35 ppt"),
    ],
)
def test_the_dashboard_says_in_words_what_the_gauge_says_in_colour(
    state: str, sentence: str
) -> None:
    """Whoever cannot tell the colours apart reads it; what is unknown is neither."""
    assert sentence == salinity_sentence(state)


def test_the_dashboard_is_grey_inside_the_limits_and_of_one_strong_colour_outside() -> None:
    """Red against green cannot be told apart by everybody."""
    segments = re.findall(r'- from: (\d+)\n +color: "(#[0-9a-f]{6})"', DASHBOARD_TEXT)
    (low, inside, high) = (colour for _, colour in segments)

    assert ["30", "33", "35"] == [at for at, _ in segments]
    assert low == high != inside
    assert 1 == len({inside[1:3], inside[3:5], inside[5:7]})
    assert 3 == DASHBOARD_TEXT.count("color: ") - DASHBOARD_TEXT.count("state_color: ")


def test_the_dashboard_shows_every_alarm() -> None:
    """An alarm that is added to the catalogue is added to the example too."""
    alarms = {
        "binary_sensor.quarantine_wing_"
        f"{'mix_1' if name in OF_RESERVOIR else 'station'}_{name.replace('-', '_')}"
        for name in CATALOGUE
    }

    assert set() == {alarm for alarm in alarms if not re.search(rf"\b{alarm}\b", DASHBOARD_TEXT)}


def test_the_dashboard_says_what_released_water_still_needs() -> None:
    """The caution stands on a card that is there while the phase is `ready`."""
    cards = re.findall(
        r"- type: conditional\n(?:              .*\n|            .*\n)+", DASHBOARD_TEXT
    )
    (card,) = (each for each in cards if "_phase\n" in each)

    assert "phase\n                state: ready\n" in card
    assert f"Released: {INDEPENDENT_CHECK}." in card


@pytest.mark.parametrize(
    "state, said",
    [
        ("is the probe out?", "The batch is suspended: it reads 0. is the probe out?"),
        ("unknown", "The batch is suspended: it reads 0. It is answered: the probe is out."),
    ],
)
def test_the_dashboard_asks_what_a_suspended_batch_waits_for(state: str, said: str) -> None:
    """With why, and the answer where a person gave one."""
    (content,) = re.findall(
        r"content: >-\n((?: +.*\n){2}) +- type: button\n +entity: "
        r"button\.quarantine_wing_mix_1_probe_is_out",
        DASHBOARD_TEXT,
    )
    template = ImmutableSandboxedEnvironment().from_string(" ".join(content.split()))
    question = "sensor.quarantine_wing_mix_1_question"

    assert said == template.render(
        states={question: state}.__getitem__,
        state_attr=lambda entity, name: {(question, "why"): "it reads 0"}[entity, name],
    )
