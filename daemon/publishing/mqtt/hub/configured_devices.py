"""The devices of a hub that a configuration gives: the station, and each reservoir."""

from __future__ import annotations

from daemon.config import Config, Mqtt
from daemon.publishing.mqtt.hub.hub_device import OWN, HubDevice, ProbeReferences


def configured_devices(config: Config, settings: Mqtt) -> tuple[HubDevice, ...]:
    """Return every device of a station.

    Args:
        config: The whole configuration.
        settings: Its section `[mqtt]`.
    """
    station, called = config.station.name, config.station.label or config.station.name
    page = config.page.public_url or "" if config.page.enabled else ""
    own = HubDevice(station, "", allowed=settings.commands, label=f"{called} {OWN}", page=page)
    reservoirs = (
        HubDevice(
            station,
            each.name,
            bool(each.due),
            settings.commands,
            tuple(probe.name for probe in each.probes[1:]),
            tuple(ProbeReferences(probe.name, probe.calibrate_with or "") for probe in each.probes),
            f"{called} {each.label or each.name}",
            page,
            capacity_l=each.capacity_l,
        )
        for each in config.reservoirs
    )
    return (own, *reservoirs)
