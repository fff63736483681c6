"""The configurations of a fleet: those of provisioned stations, or one under many names."""

from __future__ import annotations

from pathlib import Path

from daemon.config import Config, load
from daemon.fleet.simulation import FleetError

PREFIX = "simulated-"
"""Of names that are made up, so that they are known as such at the broker."""


def named(template: Config, count: int, skip: int = 0) -> list[Config]:
    """Return one configuration under so many names of simulated stations.

    Args:
        template: The configuration.
        count: How many.
        skip: How many names are left out before.

    Raises:
        FleetError: It has no broker.
    """
    if template.mqtt is None:
        raise FleetError("the configuration has no section [mqtt], so there is nowhere to publish")
    # Two clients of one id would close each other's connections.
    mqtt = template.mqtt.model_copy(update={"client_id": None})
    width = len(str(skip + count))
    return [
        template.model_copy(
            update={
                "station": template.station.model_copy(
                    update={"name": f"{PREFIX}{number:0{width}d}", "label": None}
                ),
                "mqtt": mqtt,
            }
        )
        for number in range(skip + 1, skip + count + 1)
    ]


def provisioned(folder: Path, count: int | None, skip: int = 0) -> list[Config]:
    """Return the configurations below a folder, one folder a station, in the order of their names.

    Args:
        folder: As `deploy/fleet/provision` fills it.
        count: How many of them; None for all.
        skip: How many are left out before.

    Raises:
        FleetError: There are fewer.
        ConfigError: One of them cannot be used.
    """
    files = sorted(folder.glob("*/brinewright.toml"))[skip:]
    wanted = len(files) if count is None else count
    if not files or wanted > len(files):
        raise FleetError(f"{folder} holds {len(files)} stations, not {wanted or 'any'}")
    return [load(each) for each in files[:wanted]]
