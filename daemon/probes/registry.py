"""Every driver there is, by the name that a configuration calls it.

A driver is loaded when a configuration first names it, so that what one needs costs nothing
where another is used.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from daemon.probes.driver import DriverKind

if TYPE_CHECKING:
    from daemon.config import Source
    from daemon.probes.driver import Buses, Driver

MODULES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "gpio": "daemon.probes.gpio",
        "i2c": "daemon.probes.i2c",
        "iio": "daemon.probes.iio",
        "line": "daemon.probes.line",
        "modbus": "daemon.probes.modbus",
        "mqtt_in": "daemon.probes.mqtt_in",
        "onewire": "daemon.probes.onewire",
        "recorded": "daemon.probes.recorded",
        "sdi12": "daemon.probes.sdi12",
    }
)
"""Name to module; what the module calls `DRIVER` is the driver."""


def kind(name: str) -> DriverKind[Any]:
    """Return what a name stands for.

    Raises:
        KeyError: No driver is called so.
    """
    found: DriverKind[Any] = importlib.import_module(MODULES[name]).DRIVER
    return found


def make(reservoir: str, source: Source, buses: Buses) -> Driver:
    """Return the driver of one probe or input; nothing is opened yet.

    Args:
        reservoir: That a probe is in; empty for an input.
        source: Its section.
        buses: What it may share with others.

    Raises:
        TypeError: The section was read without the drivers, so its own keys are not known.
    """
    one = kind(source.driver)
    if not isinstance(source, one.section):
        raise TypeError(f"the section of {source.name} was read without the driver {source.driver}")
    return one.make(reservoir, source, buses)


class _Sections(Mapping[str, "type[Source]"]):
    def __getitem__(self, name: str) -> type[Source]:
        section: type[Source] = kind(name).section
        return section

    def __iter__(self) -> Iterator[str]:
        return iter(MODULES)

    def __len__(self) -> int:
        return len(MODULES)


SECTIONS: Final[Mapping[str, type[Source]]] = _Sections()
"""What `daemon.config.load` needs to check the keys of every driver."""
