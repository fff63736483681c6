"""Where an alarm may stand, by name: the station itself and each reservoir, as pictures tell."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon import assembly
from daemon.cli.output import NOT_SO, fail, journal_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.mixing.alarm.catalogue import AlarmKind

STATION = "station"
"""What the station itself is called where reservoirs are named."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One alarm that is not normal.

    Attributes:
        place: Reservoir, empty for the station itself.
        row: Its row of the catalogue, as the owner wants it.
        told: What the picture says of it.
    """

    place: str
    row: AlarmKind
    told: Mapping[str, JSON]

    @property
    def state(self) -> str:
        """Its state, one of ISA-18.2."""
        return str(self.told.get("state"))


def row_of(config: Config, name: str) -> AlarmKind:
    """Return the row of an alarm as the owner wants it; end where there is none."""
    rows = assembly.station(config).alarms
    if name not in rows:
        close = difflib.get_close_matches(name, rows, n=1)
        hint = f"did you mean {close[0]}?" if close else "'brinewright alarm catalogue' names all"
        fail(f"there is no alarm {name!r}; {hint}", NOT_SO)
    return rows[name]


def pictures_of(config: Config) -> dict[str, Mapping[str, JSON]]:
    """Return the picture of the station under no name, and those of the reservoirs; or end."""
    reader = journal_of(config.journal.path)
    own, others = reader.station_snapshot(), reader.snapshots()
    found: dict[str, Mapping[str, JSON]] = {} if own is None else {"": own}
    return found | {name: each for name, each in others.items() if isinstance(each, dict)}


def standing(config: Config, snapshots: Mapping[str, Mapping[str, JSON]]) -> list[Standing]:
    """Return every alarm that is not normal, in the order of places and names."""
    rows = assembly.station(config).alarms
    return [
        Standing(place, rows[name], told)
        for place, picture in sorted(snapshots.items())
        for name, told in _details(picture).items()
        if name in rows and isinstance(told, dict)
    ]


def _details(picture: Mapping[str, JSON]) -> Mapping[str, JSON]:
    found = picture.get("alarm_details")
    return found if isinstance(found, dict) else {}
