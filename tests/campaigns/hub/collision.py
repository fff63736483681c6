"""Two stations whose names, joined by hyphens, are the same."""

from __future__ import annotations

from tests.campaigns.hub.bench import in_water
from tests.campaigns.hub.scene import PATIENCE_S, SPEED, Scene, wing

FIRST, SECOND = ("fish", "room-mix-1"), ("fish-room", "mix-1")


def names_collide(scene: Scene) -> str:
    """Both stations are shown, each with a device of its own."""
    wings = [
        wing(scene.folder / f"collision-{station}", scene.rig.broker.port, station, (reservoir,))
        for station, reservoir in (FIRST, SECOND)
    ]
    try:
        with (
            in_water(wings[0].station.port(), SPEED, seed=3),
            in_water(wings[1].station.port(), SPEED, seed=4),
        ):
            for each in wings:
                each.start()
            devices = [_wait_device(scene, *names) for names in (FIRST, SECOND)]
            assert devices[0] != devices[1], f"both are {devices[0]!r}"
            shown = [
                {each["entity_id"] for each in scene.rig.hub.entities_of(device).values()}
                for device in devices
            ]
            assert not shown[0] & shown[1], f"both have {sorted(shown[0] & shown[1])[:3]}"
            for each in wings:
                each.stop()
    finally:
        for each in wings:
            each.kill()
    return f"{devices[0]} with {len(shown[0])} entities, {devices[1]} with {len(shown[1])}"


def _wait_device(scene: Scene, station: str, reservoir: str) -> str:
    """Return the identifier of a device once the hub shows it with entities."""
    scene.rig.hub.wait_until(
        lambda: (
            bool(scene.device(reservoir, station))
            and bool(scene.rig.hub.entities_of(scene.device(reservoir, station)))
        ),
        PATIENCE_S,
        f"a device of {station} {reservoir}",
    )
    return scene.device(reservoir, station)
