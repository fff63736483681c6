"""The devices of a hub follow from the configuration: names, labels, and where the page is."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import Config, ConfigError, parse
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.configured_devices import configured_devices
from tests.parts.configurations import configuration
from tests.parts.hub_rules import faults, faults_together

MQTT = '[mqtt]\nhost = "127.0.0.1"\n'
URL = 'public_url = "http://mixing.lan:8407"\n'


def configured(more: str = "", station: str = "", reservoir: str = "") -> Config:
    """A station with a broker."""
    text = configuration(f"{MQTT}{more}", station=station, reservoir=reservoir)
    return parse(text, Path("/etc/brinewright/brinewright.toml"))


def names(config: Config) -> list[tuple[str, str]]:
    """Identifier and name of each device."""
    assert config.mqtt is not None
    return [(each.id, each.name) for each in configured_devices(config, config.mqtt)]


def test_the_station_comes_first_and_labels_are_shown() -> None:
    """Identifiers stay as they are when people call a thing something else."""
    ids = ["brinewright_quarantine-wing", "brinewright_quarantine-wing_mix-1"]
    labelled = configured(station='label = "Quarantine"\n', reservoir='label = "Left vat"\n')

    plain = ["quarantine-wing station", "quarantine-wing mix-1"]

    assert [*zip(ids, plain, strict=True)] == names(configured())
    called = ["Quarantine station", "Quarantine Left vat"]
    assert [*zip(ids, called, strict=True)] == names(labelled)


@pytest.mark.parametrize(
    "page, url",
    [
        ("", ""),
        (f"[page]\n{URL}", "http://mixing.lan:8407"),
        (f"[page]\nenabled = false\n{URL}", ""),
    ],
    ids=["on loopback", "reachable", "off"],
)
def test_a_hub_leads_to_the_page_where_it_can_be_reached(page: str, url: str) -> None:
    """From each device; nowhere else."""
    config = configured(page)
    assert config.mqtt is not None
    devices = configured_devices(config, config.mqtt)
    messages = [announcement("homeassistant", each) for each in devices]

    assert {url} == {each.page for each in devices}
    assert [] == faults_together(each.payload for each in messages)
    assert [] == [fault for each in messages for fault in faults(each.topic, each.payload)]


@pytest.mark.parametrize("url", ["mixing.lan:8407", "http://", "https:///page", "http://kim@x"])
def test_an_address_that_no_browser_can_open_is_refused(url: str) -> None:
    """With the key and an example; an account is not repeated."""
    with pytest.raises(ConfigError) as refused:
        configured(f'[page]\npublic_url = "{url}"\n')

    assert "page.public_url" in str(refused.value)
    assert "such as 'http://mixing.lan:8407'" in str(refused.value)
    assert "kim" not in str(refused.value)
