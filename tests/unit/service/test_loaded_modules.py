"""Each process loads what its configuration needs, and nothing that only others need."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import pytest

from tests.services.notify_parts import write_urls

ROOT = Path(__file__).parents[3]
STATION = """
[station]
name = "quarantine-wing"
[journal]
path = "@FOLDER@/journal.db"
[page]
enabled = false
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""
PROBE = r"""
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/brinewright/none"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
period_s = 1
"""
MQTT = '[mqtt]\nhost = "localhost"\n'
OF_OTHERS = {
    "apprise", "gpiod", "influxdb_client", "jinja2", "prometheus_client", "pymodbus", "rich",
    "smbus2", "typer", "waitress",
}  # fmt: skip
MEASURE = """
import sys
import daemon.measure.__main__
from pathlib import Path
from daemon.assembly import instruments, reservoirs
from daemon.config import load
from daemon.journal.checkpoint import dump
from daemon.measure.main import SECTIONS
from daemon.mixing.station.station import Station
from daemon.weights_file import load_learned
config = load(Path(sys.argv[1]), SECTIONS)
dump(Station(reservoirs(config), load_learned()).state)
instruments(config)
print(*sorted(name for name, module in sys.modules.items() if module))
"""
PUBLISH = """
import sys
from pathlib import Path
from daemon import publish
from daemon.config import load
from daemon.journal.reader import Reader
config = load(Path(sys.argv[1]))
publish.make_sinks(config, Reader(config.journal.path))
print(*sorted(sys.modules))
"""
PAGE = """
import sys
from pathlib import Path
from daemon import publish
from daemon.config import load
from daemon.page.page_assembly import make_page, make_trend
config = load(Path(sys.argv[1]))
assert make_page(config, None) is not None
make_trend(config, None)
print(*sorted(sys.modules))
"""
NOTIFY = '[notify]\nurls_file = "receivers"\n'
MODULES_THAT_WRITE = 25
PLUGINS_THAT_NAME_ONE_SCHEME = 8
SENDING = """
import sys
from daemon.publishing.notify.sender import usable
assert usable(["json://127.0.0.1/a"]) == [True]
print(*sorted(sys.modules))
"""
MIXING = """
import sys
import daemon.measure.__main__
from datetime import datetime, timedelta, timezone
from daemon.entries import Instant, Sample
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.weights_file import load_learned
station = Station({"mix-1": ReservoirSettings("mix-1")}, load_learned())
start = datetime(2026, 3, 2, 8, tzinfo=timezone.utc)
before = set(sys.modules)
for second in range(0, 3 * 3600, 2):
    at = Instant(start + timedelta(seconds=second), float(second), "boot-1")
    conductivity = 0.2 + 49.8 * (1.0 - 0.995 ** max(0, second - 600)) + second % 7 / 1e3
    station.advance(Sample("mix-1", "ct-1", at, conductivity, 24.0 + second % 5 / 1e3))
assert station.state.reservoirs["mix-1"].batch.phase == "ready"
print(*sorted(set(sys.modules) - before))
"""
DATABASE = "import sys, daemon.publishing.influx.database\nprint(*sorted(sys.modules))"


def loaded(program: str, *words: str) -> set[str]:
    """The modules of a process that ran a program."""
    found = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    return set(found.stdout.split())


@pytest.mark.parametrize(
    "program, more, besides",
    [
        (MEASURE, PROBE, {"paho", "ssl", "_hashlib"}),
        (PUBLISH, "", {"paho", "numpy", "gsw", "serial"}),
        (PUBLISH, MQTT, {"numpy", "gsw", "serial"}),
    ],
    ids=["measure", "publish", "publish to a broker"],
)
def test_a_process_loads_only_what_its_configuration_needs(
    tmp_path: Path, program: str, more: str, besides: set[str]
) -> None:
    """Each library is megabytes, and part of a second of each start."""
    path = tmp_path / "brinewright.toml"
    path.write_text(STATION.replace("@FOLDER@", str(tmp_path)) + more)

    assert set() == loaded(program, str(path)) & (OF_OTHERS | besides)


def test_checksums_of_measuring_are_those_of_everybody(tmp_path: Path) -> None:
    """It makes them without OpenSSL, which `_hashlib` would load."""
    path = tmp_path / "content"
    path.write_bytes(bytes(range(256)) * 300)
    digest = (
        "import sys, hashlib; print(hashlib.sha256(open(sys.argv[1], 'rb').read()).hexdigest())"
    )

    (without,) = loaded(f"import daemon.measure.__main__, {digest[7:]}", str(path))
    assert hashlib.sha256(path.read_bytes()).hexdigest() == without


def test_a_batch_loads_nothing_that_was_not_loaded_at_the_start() -> None:
    """What is loaded between two readings delays the second, and has its memory too."""
    assert set() == loaded(MIXING)


def test_the_page_loads_only_what_is_shown_without_being_asked_for(tmp_path: Path) -> None:
    """Metrics, calibrations and the libraries of their own come with the first look at them."""
    path = tmp_path / "brinewright.toml"
    text = STATION.replace("@FOLDER@", str(tmp_path)).replace("enabled = false", "enabled = true")
    path.write_text(text)

    found = loaded(PAGE, str(path))

    besides = {"paho", "numpy", "gsw", "serial", "ssl", "http.server", "urllib.request"}
    assert {"jinja2", "waitress"} == found & (OF_OTHERS | besides)
    assert set() == {each for each in found if each.startswith("calibration.drift")}


def test_the_database_s_client_does_without_numpy() -> None:
    """Where numpy is installed, too; it is there for all others."""
    found = loaded(f"{DATABASE}\nimport numpy")

    assert "influxdb_client" in found
    assert "numpy" not in found


def test_only_what_writes_is_loaded_of_the_database_s_client() -> None:
    """The library has 400 modules that manage a server."""
    found = {each for each in loaded(DATABASE) if each.startswith("influxdb_client")}

    assert "influxdb_client.service.write_service" in found
    assert len(found) <= MODULES_THAT_WRITE


def test_publishing_to_people_leaves_the_library_to_the_process_that_sends(
    tmp_path: Path,
) -> None:
    """It comes with 21 MB, and messages are rare."""
    write_urls(tmp_path, "json://127.0.0.1/a", "high mailto://127.0.0.1/?from=a@b.org&to=c@d.org")
    path = tmp_path / "brinewright.toml"
    path.write_text(STATION.replace("@FOLDER@", str(tmp_path)) + NOTIFY)

    found = loaded(PUBLISH, str(path))

    assert "daemon.publishing.notify.publisher" in found
    assert set() == found & {"apprise", "asyncio", "requests", "ssl", "smtplib"}


def test_the_process_that_sends_loads_the_plugin_of_its_receiver_alone() -> None:
    """The library has 190; a scheme that several of them name loads those few."""
    found = loaded(SENDING)

    of_plugins = {each.split(".")[2] for each in found if each.startswith("apprise.plugins.")}
    assert {"base", "custom_json"} <= of_plugins
    assert len(of_plugins) <= PLUGINS_THAT_NAME_ONE_SCHEME
    assert set() == {each for each in found if each.startswith(("daemon.config", "pydantic"))}
