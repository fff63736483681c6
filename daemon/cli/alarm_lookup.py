"""The alarms that are not normal, of the station itself and of each reservoir."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from daemon import assembly
from daemon.cli.output import NOT_SO, fail, journal_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot

    Snapshots: TypeAlias = Mapping[str, ReservoirSnapshot | StationSnapshot]

STATION = "station"
"""What the station itself is called where reservoirs are named."""


@dataclass(frozen=True, slots=True)
class PresentAlarm:
    """One alarm that is not normal.

    Attributes:
        place: Reservoir, empty for the station itself.
        row: Its row of the catalogue, with the owner's priority.
        alarm: Its present state.
    """

    place: str
    row: AlarmKind
    alarm: AlarmSnapshot

    @property
    def state(self) -> str:
        """Its state, one of ISA-18.2."""
        return self.alarm.state


def row_of(config: Config, name: str) -> AlarmKind:
    """Return the row of an alarm with the owner's priority; end where there is none."""
    rows = assembly.station(config).alarms
    if name not in rows:
        close = difflib.get_close_matches(name, rows, n=1)
        hint = f"did you mean {close[0]}?" if close else "'brinewright alarm catalogue' names all"
        fail(f"there is no alarm {name!r}; {hint}", NOT_SO)
    return rows[name]


def snapshots_of(config: Config) -> Snapshots:
    """Return the snapshot of the station under no name, and those of the reservoirs; or end."""
    reader = journal_of(config.journal.path)
    own = reader.station_snapshot()
    return ({} if own is None else {"": own}) | reader.snapshots()


def present_alarms(config: Config, snapshots: Snapshots) -> list[PresentAlarm]:
    """Return every alarm that is not normal, in the order of places and names."""
    rows = assembly.station(config).alarms
    return [
        PresentAlarm(place, rows[name], alarm)
        for place, snapshot in sorted(snapshots.items())
        for name, alarm in snapshot.alarm_details.items()
        if name in rows
    ]
