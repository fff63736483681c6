"""A reservoir, or the station itself, as a device of a hub: its identity and its topic."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from daemon.publishing.mqtt.hub.calibration_buttons import ProbeReferences

OWN = "station"
"""Name of the station itself among the devices; no reservoir may have it."""


@dataclass(frozen=True, slots=True)
class HubDevice:
    """A reservoir, or the station itself, as a device of hubs.

    Attributes:
        station: Name of the station.
        reservoir: Name of the reservoir; empty for the station itself.
        has_due: Whether batches of it are due at set times.
        allowed: Commands that may come over this broker.
        more_probes: Names of its probes after the one that decides.
        probes: Its probes, with the references of their calibration.
    """

    station: str
    reservoir: str
    has_due: bool = False
    allowed: Collection[str] = ()
    more_probes: Collection[str] = ()
    probes: Collection[ProbeReferences] = ()

    @property
    def id(self) -> str:
        """The device, and the beginning of each of its entities."""
        return f"brinewright-{self.station}-{self.reservoir or OWN}"


def node(station: str) -> str:
    """The part of the topic that all devices of a station share."""
    return f"brinewright-{station}"


def config_topic(prefix: str, station: str, reservoir: str) -> str:
    """The discovery topic of a reservoir, or of the station for no name; `+` for any."""
    return f"{prefix}/device/{node(station)}/{reservoir or OWN}/config"
