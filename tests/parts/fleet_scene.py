"""A fleet as deploy/fleet describes it, on loopback: its folder, its broker, its readers."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from deploy.fleet import accounts
from deploy.fleet.stations import Fleet, add
from tests.conftest import LOOPBACK, Broker, find_free_port

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy/fleet"
READER = "fleet-view"
READER_WORD = "reader-word"
TOKEN = "write-token"
COMMAND = (sys.executable, "-m", "daemon.cli.main", "simulate", "fleet")
NOWHERE = f"http://{LOOPBACK}:9"
WAYS_IN = ("listener", "cafile", "certfile", "keyfile", "tls_version", "allow_anonymous")


@dataclass
class FleetScene:
    """A fleet's folder and a broker with the example's every line, its places moved here.

    Attributes:
        fleet: The folder, as `provision` knows it.
        broker: The broker, not yet started.
    """

    fleet: Fleet
    broker: Broker

    @property
    def observer(self) -> Path:
        """A configuration whose account may read everything."""
        return self.fleet.folder / "observer.toml"

    def add(self, *names: str) -> None:
        """Provision stations."""
        for number, name in enumerate(names):
            add(self.fleet, name, f"192.0.2.{number % 250 + 1}", "")

    def simulate(self, *words: str) -> subprocess.Popen[str]:
        """Start `brinewright simulate fleet` on these stations."""
        stations = ("--folder", self.fleet.stations, "--observer", self.observer)
        return subprocess.Popen(
            [*COMMAND, *stations, "--json", *words],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )


def make_scene(folder: Path, database: str = "", *more: str) -> FleetScene:
    """A fleet's folder with the example's template, and a broker configured as its example.

    Args:
        folder: Of everything.
        database: Where stations write to; nowhere when empty.
        more: Further lines of the broker's configuration.
    """
    fleet = Fleet(folder / "fleet")
    (fleet.folder / "shared").mkdir(parents=True)
    (fleet.folder / "shared/influx-token").write_text(f"{TOKEN}\n")
    port = find_free_port()
    template = (DEPLOY / "station.toml").read_text(encoding="utf-8")
    places = {
        'host = "fleet.quarantine.lan"\ntls = true\nca_file = "ca.pem"\n': (
            f'host = "{LOOPBACK}"\nport = {port}\n'
        ),
        'url = "https://fleet.quarantine.lan:8427"': f'url = "{database or NOWHERE}"',
        'token_file = "influx-token"\nca_file = "ca.pem"': 'token_file = "influx-token"',
    }
    fleet.template.write_text(_moved(template, places))
    accounts.set_password(fleet.passwords, READER, READER_WORD)
    shutil.copy(DEPLOY / "rights", fleet.folder / "rights")
    (fleet.folder / "rights").chmod(0o600)
    broker = Broker(folder, port, (*_settings(fleet), *more), anonymous=False)
    scene = FleetScene(fleet, broker)
    _write_observer(scene)
    return scene


def _settings(fleet: Fleet) -> list[str]:
    """The example's lines but for its two ways in, with its places moved here."""
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith(("#", *WAYS_IN))]
    places = {
        f"/srv/brinewright/{each}": str(fleet.folder / each) for each in ("passwords", "rights")
    }
    # The broker of the tests writes down at each change; what counts here is the example's pace.
    return [*_moved("\n".join(lines), places).splitlines(), "autosave_on_changes false"]


def _moved(text: str, places: dict[str, str]) -> str:
    for place, here in places.items():
        assert 1 == text.count(place), place
        text = text.replace(place, here)
    return text


def _write_observer(scene: FleetScene) -> None:
    word = scene.fleet.folder / "reader-password"
    word.touch(mode=0o600)
    word.write_text(f"{READER_WORD}\n")
    scene.observer.write_text(
        f'[station]\nname = "observer"\n[[reservoir]]\nname = "none"\ncapacity_l = 2\nfill_l = 1\n'
        f"target_ppt = 34.0\ntolerance_ppt = 1.0\n"
        f'[mqtt]\nhost = "{LOOPBACK}"\nport = {scene.broker.port}\nusername = "{READER}"\n'
        f'password_file = "reader-password"\n'
    )
