"""The example dashboard fits what hubs are told, and what it shows is what it says."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped]
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.entries import Phase
from daemon.mixing.alarm.catalogue import Priority
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.components import components
from daemon.publishing.mqtt.hub.fired_events import BATCH_EVENTS
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from tests.parts.hub_rules import payload_of
from tests.parts.hub_states import EVERYTHING, OWN

DASHBOARD = Path(__file__).parents[5] / "deploy" / "dashboard.yaml"
DASHBOARD_TEXT = DASHBOARD.read_text(encoding="utf-8")
VIEW: dict[str, Any] = yaml.safe_load(DASHBOARD_TEXT)["views"][0]
HERE = "quarantine_wing_mix_1"
OF_THE_HUB = {
    *("button", "tile", "gauge", "markdown", "entities", "entity-filter", "grid", "heading"),
    *("history-graph", "statistics-graph", "conditional"),
}
"""Kinds of cards that come with a hub; any other has to be installed first."""
DOMAINS = r"(?:sensor|binary_sensor|button|number|text|event)"
SALTY = {Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE}


def entity_ids(told: HubDevice) -> set[str]:
    """The ids that a hub gives to the entities: from the names of device and entity."""
    payload = payload_of(announcement("homeassistant", told))
    return {
        f"{each['platform']}."
        + re.sub(r"[^a-z0-9]+", "_", f"{payload['device']['name']} {each['name']}".lower())
        for each in payload["components"].values()
    }


def cards() -> list[dict[str, Any]]:
    """Every card of the dashboard."""
    return [card for section in VIEW["sections"] for card in section["cards"]]


def of_type(kind: str) -> list[dict[str, Any]]:
    """Every card of a kind."""
    return [card for card in cards() if card["type"] == kind]


def conditions(where: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - of YAML
    """Every condition on an entity, at any depth."""
    for each in where:
        if "conditions" in each:
            yield from conditions(each["conditions"])
        else:
            yield each


class Hub:
    """What templates of a hub may ask for, of entities that a test sets."""

    def __init__(
        self, states: Mapping[str, str], attributes: Mapping[tuple[str, str], object] | None = None
    ) -> None:
        self.states = {f"sensor.{HERE}_{name}": state for name, state in states.items()}
        self.attributes = attributes or {}
        self.alarms = [name for name, key in self.attributes if key == "alarm_state"]

    def renders(self, content: str) -> str:
        """What a card shows, on one line."""
        tools = ImmutableSandboxedEnvironment()
        tools.filters["as_timestamp"] = _timestamp
        tools.filters["float"] = _number
        tools.filters["timestamp_custom"] = lambda at, form: (
            f"{datetime.fromtimestamp(at, UTC):{form}}"
        )
        text = tools.from_string(content).render(
            states=lambda entity: self.states.get(entity, "unknown"),
            state_attr=lambda entity, name: self.attributes.get((entity, name)),
            is_state=lambda entity, state: entity in self.alarms and state == "on",
            device_id=lambda entity: entity,
            device_attr=lambda _entity, name: "quarantine-wing mix-1" if name == "name" else None,
            device_entities=lambda device: self.alarms if HERE in device else [],
        )
        return " ".join(text.split())


def _number(text: str, default: float | None) -> float | None:
    try:
        return float(text)
    except ValueError:
        return default


def _timestamp(text: object, default: float | None) -> float | None:
    try:
        return datetime.fromisoformat(str(text)).timestamp()
    except ValueError:
        return default


GUIDE = DASHBOARD.with_name("guides") / "dashboard.md"


def test_the_guide_says_what_each_entity_means() -> None:
    """Each under the name that a hub shows; alarms have a guide of their own."""
    told = [*components(EVERYTHING).items(), *components(OWN).items()]
    names = {
        str(each["name"]).partition(",")[0]
        for id_, each in told
        if isinstance(each, dict) and not id_.startswith(("alarm-", "button-"))
    }
    text = GUIDE.read_text(encoding="utf-8")

    assert set() == {name for name in names if f"`{name}`" not in text}
    assert {*BATCH_EVENTS} <= {*re.findall(r"`([a-z_]+)`", text)}


def leads(phase: str, *, why: str = "", **states: str) -> str:
    """What the first card of all says."""
    first = cards()[0]
    assert "visibility" not in first
    asked = {(f"sensor.{HERE}_question", "why"): why}
    return Hub({"phase": phase, "salinity": "34.0", **states}, asked).renders(first["content"])


@pytest.mark.parametrize(
    "phase, said",
    [
        ("unknown", "# ? Not known"),
        ("unavailable", "# ? Not known"),
        ("idle", "# ○ No batch"),
        ("blank", "# ○ Not ready: purified water, no salt yet"),
        ("dissolving", "# ◔ Not ready: salt dissolves"),
        ("verifying", "# ◑ Not ready: it is verified"),
        ("ready", f"# ● Ready {INDEPENDENT_CHECK[0].upper()}{INDEPENDENT_CHECK[1:]}."),
        ("off_target", "# ▲ Not ready: outside the limits"),
        ("stale", "# ▲ Expired: not to be used"),
    ],
)
def test_whether_it_is_ready_leads_in_words_and_by_a_shape(phase: str, said: str) -> None:
    """Of every phase that there is, and of none that is known."""
    assert leads(phase=phase).startswith(said)


def test_only_released_water_is_called_ready() -> None:
    """Unknown is never ready, and so is what was released and is not measured now."""
    ready = [
        phase for phase in (*Phase, "unknown", "") if leads(phase=phase).startswith("# ● Ready")
    ]

    assert [Phase.READY] == ready
    assert leads(phase="ready", salinity="unknown").startswith("# ? Released, and not measured now")
    suspended = leads(phase="ready", why="the probe reads 0")
    assert suspended.startswith("# ? Not ready: the batch is suspended The probe reads 0.")


def test_it_says_until_when_and_from_when() -> None:
    """A fact where there is one, a forecast with its interval where there is none."""
    ready = leads(phase="ready", use_by="2026-03-02T09:40:00Z", water_left="139.6")
    assert "Use it before **Monday 09:40**. **140 L** are left." in ready
    forecast = {
        "expected_release": "2026-03-02T08:35:00Z",
        "expected_steady_earliest": "2026-03-02T08:20:00Z",
        "expected_steady_latest": "2026-03-02T08:55:00Z",
    }
    assert "about **08:35**, between 08:20 and 08:55." in leads(phase="dissolving", **forecast)
    note = "Too early to say."
    assert note in leads(phase="dissolving", forecast_note="too early to say")


def test_the_dashboard_names_only_what_is_announced() -> None:
    """Whoever loads the example finds no card without its entity."""
    named = set(re.findall(rf"\b{DOMAINS}\.[a-z0-9_]+", DASHBOARD_TEXT))
    named.remove("button.press")  # what is done to a button

    assert set() == named - entity_ids(EVERYTHING) - entity_ids(OWN)
    assert len(named) > 40


def test_the_dashboard_has_every_button_and_every_field() -> None:
    """What a hub can do here is on it."""
    acts = {
        each
        for each in entity_ids(EVERYTHING) | entity_ids(OWN)
        if each.startswith(("button.", "number.", "text."))
    }

    assert set() == {act for act in acts if not re.search(rf"\b{act}\b", DASHBOARD_TEXT)}


def test_the_dashboard_needs_nothing_that_does_not_come_with_the_hub() -> None:
    """No card that has to be installed first."""
    assert {card["type"] for card in cards()} <= OF_THE_HUB
    assert "custom:" not in DASHBOARD_TEXT
    assert {"grid"} == {section["type"] for section in VIEW["sections"]}


def test_every_card_is_as_wide_as_its_column() -> None:
    """Two side by side cut their words on a phone."""
    assert {"full"} == {card["grid_options"]["columns"] for card in cards()}


def test_a_button_is_there_while_it_can_be_pressed() -> None:
    """And what ends or changes a batch asks once more."""
    tiles = {card["entity"]: card for card in of_type("tile")}
    asked = {entity for entity, card in tiles.items() if "confirmation" in card["tap_action"]}

    for entity, card in tiles.items():
        assert [{"condition": "state", "entity": entity, "state_not": "unavailable"}] == (
            card["visibility"]
        )
        assert entity == card["tap_action"]["target"]["entity_id"]
    ends = ("mark_batch_used", "record_as_used", "discard_batch", "vessel_was_refilled")
    assert {f"button.{HERE}_{name}" for name in ends} <= asked


def test_rows_that_are_not_known_are_hidden() -> None:
    """A list shows only what has a value."""
    lists = of_type("entity-filter")

    assert [[{"condition": "state", "state_not": ["unknown", "unavailable"]}]] * len(lists) == [
        each["conditions"] for each in lists
    ]
    assert {False} == {each["show_empty"] for each in lists}
    shown = [row for card in of_type("entities") for row in card["entities"]]
    assert {"number", "text"} == {row["entity"].partition(".")[0] for row in shown}


def sentence(state: str) -> str:
    """What the card below the gauge says of a state of the salinity sensor."""
    (card,) = (each for each in of_type("markdown") if "Inside the limits" in each["content"])
    return Hub({"salinity": state}).renders(card["content"])


@pytest.mark.parametrize(
    "state, said",
    [
        ("unknown", "Salinity: unknown"),
        ("unavailable", "Salinity: unknown"),
        ("32.99", "▲ Outside the limits, 33 to 35 ppt"),
        ("33.0", "Inside the limits, 33 to 35 ppt"),
        ("35.0", "Inside the limits, 33 to 35 ppt"),
        ("35.01", "▲ Outside the limits, 33 to 35 ppt"),
    ],
)
def test_the_dashboard_says_in_words_what_the_gauge_says_in_colour(state: str, said: str) -> None:
    """Whoever cannot tell the colours apart reads it; what is unknown is neither."""
    assert said == sentence(state)


def test_the_gauge_is_grey_inside_the_limits_and_of_one_strong_colour_outside() -> None:
    """Red against green cannot be told apart by everybody."""
    (gauge,) = (each for each in of_type("gauge") if len(each["segments"]) > 1)
    low, inside, high = (each["color"] for each in gauge["segments"])

    assert [30, 33, 35] == [each["from"] for each in gauge["segments"]]
    assert low == high != inside
    assert 1 == len({inside[1:3], inside[3:5], inside[5:7]})


def test_the_gauge_is_neutral_while_there_is_no_finished_water() -> None:
    """Purified water is not outside any limits; one of two gauges shows, by the phase."""
    coloured, neutral = of_type("gauge")
    (shown, known), (hidden, also_known) = coloured["visibility"], neutral["visibility"]

    assert SALTY == {*shown["state"]} == {*hidden["state_not"]}
    assert 1 == len(neutral["segments"])
    assert coloured["segments"][1]["color"] == neutral["segments"][0]["color"]
    assert {f"sensor.{HERE}_salinity"} == {known["entity"], also_known["entity"]}


def alarms_card() -> dict[str, Any]:
    """The card that shows the alarms."""
    (card,) = (each for each in of_type("markdown") if "ha-alert" in each["content"])
    return card


def alarm(name: str, state: str, priority: str, why: str) -> dict[tuple[str, str], object]:
    """The attributes of an alarm's entity that is on."""
    entity = f"binary_sensor.{HERE}_{name.lower().replace(' ', '_')}"
    return {
        (entity, "alarm_state"): state,
        (entity, "priority"): priority,
        (entity, "why"): why,
        (entity, "do"): "look at it",
        (entity, "friendly_name"): f"quarantine-wing mix-1 {name}",
    }


def test_alarms_stand_under_their_own_names_with_why_and_what_to_do() -> None:
    """The most urgent first, and one that is over and not acknowledged among them."""
    said = Hub(
        {},
        alarm("Salt low", "acknowledged", "low", "4 kg <b>left</b>")
        | alarm("Probe fault", "returned-unacknowledged", "medium", "no value")
        | alarm("Salinity drifting", "unacknowledged", "high", "0.4 ppt"),
    ).renders(alarms_card()["content"])

    titles = re.findall(r'alert-type="([a-z]+)" title="([^"]+)"', said)
    assert [
        ("error", "Salinity drifting (high)"),
        ("warning", "Probe fault (medium)"),
        ("info", "Salt low (low)"),
    ] == titles
    assert "no value.<br><b>To do:</b> look at it.<br> It is over by now; nobody has" in said
    assert "0.4 ppt.<br><b>To do:</b> look at it.<br> Nobody has acknowledged it." in said
    assert "4 kg &lt;b&gt;left&lt;/b&gt;." in said
    assert 2 == said.count("acknowledged it")
    assert {*map(str, Priority)} == {*re.findall(r"'(high|medium|low)'", alarms_card()["content"])}


def test_alarms_are_there_only_when_there_are_any() -> None:
    """By the one problem of the reservoir, or that of the station."""
    shown = [*conditions(alarms_card()["visibility"])]

    assert {f"binary_sensor.{HERE}_problem", "binary_sensor.quarantine_wing_station_problem"} == {
        each["entity"] for each in shown
    }
    assert {"on"} == {each["state"] for each in shown}


def test_the_question_stands_above_its_answers() -> None:
    """Only while it is asked."""
    asks = next(at for at, each in enumerate(cards()) if "set asked" in each.get("content", ""))
    (shown,) = cards()[asks]["visibility"]

    assert f"sensor.{HERE}_question" == shown["entity"]
    assert ["unknown", "unavailable"] == shown["state_not"]
    assert ["probe_is_out_of_the_water", "probe_is_in_the_batch", "vessel_was_refilled"] == [
        each["entity"].removeprefix(f"button.{HERE}_") for each in cards()[asks + 1 : asks + 4]
    ]
    assert "**Is it?**" == Hub({"question": "is it?"}).renders(cards()[asks]["content"])


MARKED = "there is no lot '<img src=x>'"


def test_markup_in_what_people_typed_shows_as_text() -> None:
    """A name of a lot comes back in an answer or in an advice."""
    answer = next(
        each["content"] for each in of_type("markdown") if "Last answer" in each["content"]
    )
    entity = f"sensor.{HERE}_last_answer"
    said = [
        Hub({"last_answer": MARKED}, {(entity, "time"): "2026-03-02T08:00:00Z"}).renders(answer),
        Hub({"phase": "off_target"}, {(f"sensor.{HERE}_advice", "whole"): MARKED}).renders(
            cards()[0]["content"]
        ),
        leads(phase="verifying", why=MARKED),
    ]

    assert ["&lt;img src=x&gt;" in each and "<img" not in each for each in said] == [True] * 3
