"""What stands in a draft where nobody has answered: a valid example for each driver.

Each of these is marked in the draft as an example, so none passes for something that was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

_REPLY = r"(?P<conductivity>[-+]?[\d.]+),(?P<temperature>[-+]?[\d.]+)"
_UNITS = {"conductivity": "uS/cm", "temperature": "degC"}

EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = MappingProxyType(
    {
        "line": {
            "port": "/dev/ttyUSB0",
            "reply": _REPLY,
            "units": _UNITS,
            "compensation": "none",
        },
        "recorded": {"path": "/var/lib/brinewright/rows.csv"},
        "modbus": {
            "port": "/dev/ttyUSB0",
            "unit": 1,
            "conductivity": {"register": 0, "format": "float32", "word_order": "ABCD"},
            "temperature": {"register": 2, "format": "float32", "word_order": "ABCD"},
            "units": {"conductivity": "mS/cm", "temperature": "degC"},
            "compensation": "none",
        },
        "sdi12": {
            "port": "/dev/ttyUSB0",
            "address": "0",
            "measurement": "M",
            "values": {"conductivity": 1, "temperature": 2},
            "units": {"conductivity": "mS/cm", "temperature": "degC"},
            "compensation": "none",
        },
        "iio": {
            "device": {"name": "ec-sensor"},
            "conductivity": "in_electricalconductivity",
            "temperature": "in_temp",
            "compensation": "none",
        },
        "onewire": {"device": "28-000000000000"},
        "i2c": {
            "bus": 1,
            "address": 0x64,
            "request": "R",
            "wait_s": 0.6,
            "reply": _REPLY,
            "units": _UNITS,
            "compensation": "none",
        },
        "gpio": {"chip": "/dev/gpiochip0", "line": "17"},
        "mqtt_in": {
            "host": "127.0.0.1",
            "conductivity": {"topic": "fish-room/mix-1/water", "value": "/ec"},
            "temperature": {"topic": "fish-room/mix-1/water", "value": "/t"},
            "units": _UNITS,
            "compensation": "none",
        },
    }
)
"""Driver to keys that must be given, with values that are possible."""
DEVICE_KEYS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "line": "port",
        "recorded": "path",
        "modbus": "port",
        "sdi12": "port",
        "iio": "device",
        "onewire": "device",
        "i2c": "bus",
        "gpio": "chip",
        "mqtt_in": "host",
    }
)
"""Driver to the key that says where the instrument is."""
