"""What the sink of a broker has for home-automation hubs."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.publishing.mqtt.hub.announcer import Announcer
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.mqtt.hub.fired_events import FiredEvents
from daemon.publishing.mqtt.hub.left_behind import LeftBehind


@dataclass(frozen=True, slots=True)
class HubParts:
    """The parts of a sink that are for hubs.

    Attributes:
        announcer: Announces the station and its reservoirs; None not to.
        feed: What hubs are sent of the present state; None for nothing.
        left: Withdraws what earlier runs left; None to remember nothing.
        fired: What automations of hubs are sent of the events; None for nothing.
    """

    announcer: Announcer | None = None
    feed: HubFeed | None = None
    left: LeftBehind | None = None
    fired: FiredEvents | None = None
