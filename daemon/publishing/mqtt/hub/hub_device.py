"""A reservoir, or the station itself, as a device of a hub: its identity and its topics.

Names have no underscore (`daemon.config.fields`), so what joins them with underscores is never
the same for two devices: `fish` with `room-mix-1` is another than `fish-room` with `mix-1`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from daemon.publishing.topic_messages import place

OWN = "station"
"""Name of the station itself where a device must have one; no reservoir may have it."""


@dataclass(frozen=True, slots=True)
class ProbeReferences:
    """A probe, and the references that a dashboard may start its calibration with.

    Attributes:
        probe: Its name.
        references: As `calibrate.start` takes them; empty where none are configured.
    """

    probe: str
    references: str = ""


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
        label: What people call it; empty for its names.
        page: Address of the status page; empty where others cannot reach it.
        mark: By which the station knows its own devices again; empty for none.
        capacity_l: Volume of its vessel, L; 0 for the station itself.
    """

    station: str
    reservoir: str
    has_due: bool = False
    allowed: Collection[str] = ()
    more_probes: Collection[str] = ()
    probes: Collection[ProbeReferences] = ()
    label: str = ""
    page: str = ""
    mark: str = ""
    capacity_l: float = 0.0

    @property
    def id(self) -> str:
        """Its identifier, which no other device of any station has."""
        return device_id(self.station, self.reservoir)

    @property
    def name(self) -> str:
        """What people call it."""
        return self.label or f"{self.station} {self.reservoir or OWN}"

    def unique_id(self, entity: str) -> str:
        """Return the identifier of one of its entities, which no other entity has."""
        return f"{self.id}_{entity}"


def device_id(station: str, reservoir: str) -> str:
    """Return the identifier of a reservoir, or of the station itself for no name."""
    own = f"brinewright_{station}"
    return f"{own}_{reservoir}" if reservoir else own


def config_topic(prefix: str, station: str, reservoir: str) -> str:
    """Return the discovery topic of a reservoir, or of the station for no name."""
    # No name has an underscore, so this is never a topic of a former version.
    part = f"reservoir_{reservoir}" if reservoir else f"station_{station}"
    return _topic(prefix, station, part)


def former_config_topic(prefix: str, station: str, reservoir: str) -> str:
    """Return where a former version announced a reservoir, or the station for no name."""
    return _topic(prefix, station, reservoir or OWN)


def config_filter(prefix: str, station: str) -> str:
    """Return the filter for the announcements of a station, also by former versions."""
    return _topic(prefix, station, "+")


def hub_topic(station: str, reservoir: str) -> str:
    """Return the topic that hubs read of a reservoir, or of the station for no name."""
    return f"{place(station, reservoir)}/hub"


def _topic(prefix: str, station: str, part: str) -> str:
    return f"{prefix}/device/brinewright-{station}/{part}/config"
