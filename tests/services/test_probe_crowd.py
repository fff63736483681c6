"""The instruments of the measurement with many probes, and the configuration that reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.config import load
from tests.benchmarks.probe_crowd import KINDS, Crowd, configuration
from tests.conftest import find_free_port

if TYPE_CHECKING:
    from pathlib import Path


def test_the_crowd_is_read_by_a_configuration_that_is_valid(tmp_path: Path) -> None:
    """One instrument of each kind without a broker gives a file that the station accepts."""
    crowd = Crowd(tmp_path, find_free_port())
    for kind in KINDS:
        if kind != "mqtt_in":
            crowd.add(kind)
    file = tmp_path / "brinewright.toml"
    file.write_text(configuration(crowd), encoding="utf-8")

    probes = [probe for each in load(file).reservoirs for probe in each.probes]

    assert [probe.driver for probe in probes] == [
        "line", "modbus", "iio", "sdi12", "modbus", "i2c", "line",
    ]  # fmt: skip
