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
    from daemon.config import Probe
    from daemon.probes.driver import Driver

MODULES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "line": "daemon.probes.line",
        "recorded": "daemon.probes.recorded",
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


def make(reservoir: str, probe: Probe) -> Driver:
    """Return the driver of one probe; nothing is opened yet.

    Raises:
        TypeError: The section was read without the drivers, so its own keys are not known.
    """
    one = kind(probe.driver)
    if not isinstance(probe, one.section):
        raise TypeError(f"the section of {probe.name} was read without the driver {probe.driver}")
    return one.make(reservoir, probe)


class _Sections(Mapping[str, "type[Probe]"]):
    def __getitem__(self, name: str) -> type[Probe]:
        section: type[Probe] = kind(name).section
        return section

    def __iter__(self) -> Iterator[str]:
        return iter(MODULES)

    def __len__(self) -> int:
        return len(MODULES)


SECTIONS: Final[Mapping[str, type[Probe]]] = _Sections()
"""What `daemon.config.load` needs to check the keys of every driver."""
