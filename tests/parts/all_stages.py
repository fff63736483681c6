"""Every driver's stage, by what it shows; one whose module is its own is named here alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from tests.parts.driver_stages import Newest, Playing, Polled, Stage, Talking
from tests.parts.stage_i2c import OnI2cBus
from tests.parts.stage_iio import Sensing
from tests.parts.stage_modbus import OnModbusHost, OnModbusLine
from tests.parts.stage_mqtt_in import Publishing
from tests.parts.stage_onewire import Converting
from tests.parts.stage_sdi12 import Measuring


class ClosingStage(Stage, Protocol):
    """A stage that can be taken away."""

    def close(self) -> None:
        """Take all away."""


STAGES: dict[str, tuple[str, Callable[[Path], ClosingStage]]] = {
    "line, talking": ("line", Talking),
    "line, asked": ("line", Polled),
    "modbus, RTU": ("modbus", OnModbusLine),
    "modbus, TCP": ("modbus", OnModbusHost),
    "iio": ("iio", Sensing),
    "mqtt_in": ("mqtt_in", Publishing),
    "i2c": ("i2c", OnI2cBus),
    "onewire, of an input": ("onewire", Converting),
    "recorded": ("recorded", Playing),
    "sdi12": ("sdi12", Measuring),
    "newest, of the guide": ("newest", Newest),
}
"""Name of the stage to name of the driver, and how it is set up in a folder."""
