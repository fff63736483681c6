"""What the page of the present shows of the whole station: its title, trouble, and own alarms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.local_time import SECOND, local
from daemon.page.blocks import short
from daemon.page.healthz import staleness
from daemon.page.labels import sentence
from daemon.page.now.alarm_part import AlarmPart, alarm_parts, unacknowledged
from daemon.page.now.buttons import MakePresses, no_presses, of_all
from daemon.page.now.panel import Panel, panel

if TYPE_CHECKING:
    from daemon.page.acts.forms import Press
    from daemon.page.view import StationView


@dataclass(frozen=True, slots=True)
class StationPart:
    """The station.

    Attributes:
        title: What the window is called before the name of the station: what is the matter.
        window: The whole of what it is called.
        trouble: Why the journal cannot be read, as a sentence; empty where it can.
        alarms: That belong to no reservoir.
        acknowledge_all: What acknowledges all of those; empty for fewer than two.
        panels: Its reservoirs.
        failing: What its publishers fail with, a sentence each.
        at: The moment of all that is shown, with the name of its zone.
    """

    title: str
    window: str
    trouble: str
    alarms: tuple[AlarmPart, ...]
    acknowledge_all: tuple[Press, ...]
    panels: tuple[Panel, ...]
    failing: tuple[str, ...]
    at: str


def station_part(view: StationView, presses: MakePresses = no_presses) -> StationPart:
    """Return what is shown of a station and of its reservoirs.

    Args:
        view: What there is to show.
        presses: Gives buttons; none where the page takes no commands.
    """
    own = [each for each in view.alarms if not each.reservoir]
    title = title_of(view)
    return StationPart(
        title,
        f"{title} - {view.title or view.station}",
        sentence(short(view.trouble)) if view.trouble else "",
        alarm_parts(own, view.zone, presses),
        of_all(own, "", presses),
        tuple(panel(number, each, view, presses) for number, each in enumerate(view.reservoirs, 1)),
        tuple(
            short(f"{each.name} is {each.waiting} entries behind: {each.error}")
            for each in view.followers
            if each.error
        ),
        local(view.at, view.zone, SECOND),
    )


def title_of(view: StationView) -> str:
    """Return what a window is called, as that is all that is seen of one behind others."""
    count = max(unacknowledged(view.alarms), sum(each.announced for each in view.alarms))
    if view.trouble or any(staleness(each) for each in view.reservoirs):
        return "No fresh reading"
    if count:
        return f"{count} alarm{'s' if count > 1 else ''}"
    return "Now"
