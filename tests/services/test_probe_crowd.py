"""The instruments of the measurement with many probes, and the configuration that reads them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from daemon.config import load
from tests.benchmarks.probe_crowd import KINDS
from tests.conftest import find_free_port, wait_until


def test_the_crowd_is_read_by_a_configuration_that_is_valid(tmp_path: Path) -> None:
    """One instrument of each kind that needs no broker gives a file that the station accepts."""
    kinds = [kind for kind in KINDS if kind != "mqtt_in"]
    words = [str(tmp_path), str(len(kinds)), str(find_free_port()), "", *kinds]
    file = tmp_path / "brinewright.toml"
    module = [sys.executable, "-m", "tests.benchmarks.probe_crowd"]

    with subprocess.Popen([*module, *words], cwd=Path(__file__).parents[2]) as crowd:
        try:
            wait_until(file.exists, "the configuration of the crowd")
            probes = [probe for each in load(file).reservoirs for probe in each.probes]
        finally:
            crowd.kill()

    assert [probe.driver for probe in probes] == [
        "line", "modbus", "iio", "sdi12", "modbus", "i2c", "line",
    ]  # fmt: skip
