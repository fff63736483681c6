"""A station, its probes, its two processes, and the hub that looks at them."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml  # type: ignore[import-untyped]

from tests.campaigns.hub.bench import Bench, in_water
from tests.services.service_parts import POLLED, Process, Station

SPEED = 120.0
"""Simulated seconds in a real one: a batch is released after a quarter of a minute."""
PATIENCE_S = 40.0
COMMANDS = (
    *("batch.start", "batch.confirm", "batch.note", "batch.use", "batch.discard"),
    *("batch.answer", "alarm.acknowledge"),
    *("calibrate.start", "calibrate.abort", "calibrate.confirm"),
)
PROBE = f'{POLLED}calibrate_with = "air; kcl-12-88 lot=Q-12 tolerance=0.5"\n'


def load_rig(folder: Path) -> Any:  # noqa: ANN401 - a module from outside the repository
    """Return the module `hub` of a folder.

    Raises:
        FileNotFoundError: There is no hub.py in it.
    """
    path = folder / "hub.py"
    if not path.exists():
        raise FileNotFoundError(path)
    spec = importlib.util.spec_from_file_location("hub", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["hub"] = module
    spec.loader.exec_module(module)
    return module


@dataclass
class Wing:
    """One station with its processes.

    Attributes:
        station: Its folder, configuration and journal.
        measure: The measuring process.
        publish: The publishing process.
    """

    station: Station
    measure: Process
    publish: Process

    def start(self) -> None:
        """Start both processes."""
        self.measure.start()
        self.publish.start()

    def stop(self) -> None:
        """End both processes in order."""
        for process in (self.publish, self.measure):
            if process.alive:
                process.stop()

    def kill(self) -> None:
        """End both processes without warning."""
        self.publish.kill()
        self.measure.kill()

    def rewrite(self, change: Callable[[str], str]) -> None:
        """Change the configuration and start both processes with it."""
        self.stop()
        config = self.station.config
        config.write_text(change(config.read_text()))
        self.start()


def wing(
    folder: Path,
    port: int,
    name: str,
    reservoirs: tuple[str, ...],
    speed: float = SPEED,
    probe: str = PROBE,
) -> Wing:
    """Return a station in a new folder; nothing is started yet.

    Args:
        folder: Its folder; made here.
        port: Of the broker.
        name: Of the station.
        reservoirs: Names, in the order of their ports.
        speed: Simulated seconds in a real one.
        probe: The keys of each probe's section.
    """
    folder.mkdir()
    allowed = json.dumps([*COMMANDS])
    more = f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\ncommands = {allowed}'
    station = Station(folder, speed, (probe,) * len(reservoirs), more)
    text = station.config.read_text().replace('"quarantine-wing"', f'"{name}"')
    for number, reservoir in enumerate(reservoirs, start=1):
        text = text.replace(f'name = "mix-{number}"', f'name = "{reservoir}"')
    station.config.write_text(text)
    words = ("--config", str(station.config))
    return Wing(
        station,
        Process(("daemon.measure", *words), folder / "measure.log"),
        Process(("daemon.publish", *words), folder / "publish.log"),
    )


@dataclass
class Scene:
    """Everything that a step needs.

    Attributes:
        rig: Broker and hub.
        folder: Where stations keep what they write.
        wing: The station that most steps are about.
        name: Its name.
        benches: Its probes, by reservoir.
        look: Takes pictures of the dashboard under a name, once it shows a text.
    """

    rig: Any
    folder: Path
    wing: Wing
    name: str
    benches: Mapping[str, Bench] = field(default_factory=dict)
    look: Callable[[str, str], None] = lambda _name, _until: None
    _devices: dict[str, str] = field(default_factory=dict)

    def announced(self) -> dict[str, dict[str, Any]]:
        """The device messages that the broker retains now, by topic."""
        retained = self.rig.broker.retained("homeassistant/#")
        return {
            topic: json.loads(payload)
            for topic, payload in retained.items()
            if topic.endswith("/config") and payload
        }

    def device(self, reservoir: str, station: str = "") -> str:
        """Identifier of the device of a reservoir, as it is announced; empty while it is not."""
        place = "/".join(each for each in ("brinewright", station or self.name, reservoir) if each)
        if place not in self._devices:
            for message in self.announced().values():
                topics = {each.get("state_topic") for each in message["components"].values()}
                if topics & {f"{place}/state", f"{place}/hub"}:
                    self._devices[place] = str(message["device"]["identifiers"][0])
        return self._devices.get(place, "")

    def forget_devices(self) -> None:
        """Look for each device again: others may be announced now."""
        self._devices.clear()

    def entity(self, name: str, reservoir: str = "mix-1") -> dict[str, Any] | None:
        """The entity of this name as the hub shows it; None while there is none."""
        identifier = self.device(reservoir)
        device = self.rig.hub.device(identifier) if identifier else None
        if device is None:
            return None
        full = f"{device['name']} {name}"
        shown = self.rig.hub.entities_of(identifier).values()
        found: list[dict[str, Any]] = [each for each in shown if each["friendly_name"] == full]
        return found[0] if found else None

    def state(self, name: str, reservoir: str = "mix-1") -> str:
        """The state of an entity; empty while there is none."""
        found = self.entity(name, reservoir)
        return str(found["state"]) if found else ""

    def wait_state(
        self, name: str, *states: str, reservoir: str = "mix-1", timeout_s: float = PATIENCE_S
    ) -> str:
        """Wait until an entity has one of these states; return it."""
        self.rig.hub.wait_until(
            lambda: self.state(name, reservoir) in states,
            timeout_s,
            f"{name} {' or '.join(states)}, and not {self.state(name, reservoir)!r}",
        )
        return self.state(name, reservoir)

    def wait_number(self, name: str, reservoir: str = "mix-1") -> float:
        """Wait until an entity shows a number; return it."""
        self.rig.hub.wait_until(
            lambda: _is_number(self.state(name, reservoir)), PATIENCE_S, f"a number of {name}"
        )
        return float(self.state(name, reservoir))

    def press(self, name: str, reservoir: str = "mix-1") -> None:
        """Press a button of the hub."""
        found = self.entity(name, reservoir)
        assert found is not None, f"the hub has no {name!r}"
        self.rig.hub.call("button", "press", entity_id=found["entity_id"])

    def enter(self, name: str, value: float | str) -> None:
        """Enter a value at the hub, as a person does, and wait until the station has it."""
        found = self.entity(name)
        assert found is not None, f"the hub has no {name!r}"
        domain = found["platform"]
        self.rig.hub.call(domain, "set_value", entity_id=found["entity_id"], value=value)
        shown = f"{value:.1f}" if isinstance(value, float) else value
        self.wait_state(name, shown)

    def snapshot(self, reservoir: str = "mix-1") -> dict[str, Any]:
        """The snapshot of a reservoir that the broker retains."""
        topic = f"brinewright/{self.name}/{reservoir}/state"
        return dict(json.loads(self.rig.broker.retained(topic)[topic]))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


GUIDE = Path(__file__).parents[3] / "deploy" / "guides" / "dashboard.md"
SAID_TOPIC = "acceptance/said"
"""Where the automation of the guide says what it has to say, in place of a notification."""


def complete(rig: Any) -> None:  # noqa: ANN401 - of the rig
    """Start the hub again with what the rig leaves out: a recorder, and the guide's automation."""
    rig.hub.stop()
    (block,) = re.findall(r"```yaml\n(alias: .*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    automation = yaml.safe_load(block)
    (action,) = automation["actions"]
    said = {"topic": SAID_TOPIC, "payload": action["data"]["message"]}
    automation["actions"] = [{"action": "mqtt.publish", "data": said}]
    with (rig.hub.folder / "configuration.yaml").open("a") as file:
        file.write(f"recorder:\nhistory:\nautomation: {json.dumps([automation])}\n")
    rig.hub.start()


@contextlib.contextmanager
def staged(rig: Any, folder: Path) -> Iterator[Scene]:  # noqa: ANN401 - of the rig
    """Two reservoirs with their probes, before a hub that runs; nothing is started yet."""
    name = "quarantine-wing"
    one = wing(folder / name, rig.broker.port, name, ("mix-1", "mix-2"))
    try:
        with (
            in_water(one.station.port(1), SPEED, seed=1) as first,
            in_water(one.station.port(2), SPEED, seed=2) as second,
        ):
            yield Scene(rig, folder, one, name, {"mix-1": first, "mix-2": second})
            one.stop()
    finally:
        one.kill()
