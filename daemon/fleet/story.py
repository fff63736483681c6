"""A recording played once through the station, and what came of each row: to be published later.

So what a simulated station publishes is what the service itself made of readings: their flags and
salinity, events, alarms, snapshots.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from daemon import assembly
from daemon.config import Config, Reservoir
from daemon.entries import Entry, Sample
from daemon.errors import BrinewrightError
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.mixing.station.station import Station
from daemon.weights_file import load_learned
from daemon.wire.recording import BadRow, Destination, Recording


class StoryError(BrinewrightError, ValueError):
    """A recording gives nothing to publish; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Step:
    """What came of one row.

    Attributes:
        entries: Its reading, and the events that followed.
        reservoir: The present state of the reservoir after it.
        station: That of the station itself.
    """

    entries: tuple[Entry, ...]
    reservoir: ReservoirSnapshot
    station: StationSnapshot


def story(path: Path, config: Config) -> tuple[Step, ...]:
    """Play a recording through the first reservoir of a configuration.

    Args:
        path: CSV, as `brinewright replay` takes it.
        config: Whose station and reservoir it is played by.

    Raises:
        StoryError: It holds no row that can be played.
    """
    vessel = config.reservoirs[0]
    settings = assembly.reservoir_settings(vessel)
    station = Station({vessel.name: settings}, load_learned(), own=assembly.station(config))
    recording = Recording(Destination(vessel.name, tuple(settings.probes)))
    with path.open(encoding="utf-8") as lines:
        steps = tuple(_steps(station, vessel, map(recording.row, lines)))
    if not steps:
        raise StoryError(f"{path}: it has no row to play")
    return steps


def _steps(
    station: Station, vessel: Reservoir, rows: Iterable[Sample | BadRow | None]
) -> Iterable[Step]:
    for row in rows:
        if not isinstance(row, Sample):
            continue
        entries = tuple(station.advance(row))
        water, own = station.snapshot(vessel.name, row.at), station.snapshot("", row.at)
        if isinstance(water, ReservoirSnapshot) and isinstance(own, StationSnapshot):
            yield Step(entries, water, own)
