"""Channels of the Linux Industrial I/O subsystem: raw, offset and scale to a value.

Conductivity is in siemens per metre and temperature in thousandths of a degree, once offset and
scale are applied.  A raw number without a scale has no unit, and is refused.

Source: Documentation/ABI/testing/sysfs-bus-iio of Linux 6.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.wire.attribute import Refused, decimal_number

if TYPE_CHECKING:
    from collections.abc import Iterable

_DEVICE = re.compile(r"iio:device(\d+)")
_INDEX = re.compile(r"\d+$")


@dataclass(frozen=True, slots=True)
class Channel:
    """What the files of one channel held at one moment.

    Attributes:
        name: Such as "in_temp".
        processed: Of `_input`: in the unit already; None where there is no such file.
        raw: Of `_raw`; None likewise.
        scale: Of `_scale`; None likewise.
        offset: Of `_offset`; None for 0.
    """

    name: str
    processed: bytes | None = None
    raw: bytes | None = None
    scale: bytes | None = None
    offset: bytes | None = None


def value(channel: Channel) -> float:
    """Return what a channel measures: S/m, or thousandths of a degree.

    In decimal numbers, as the files hold them: 430000 at 0.00001 is 4.3 and not beside it.

    Raises:
        Refused: A file is missing, empty, cut or no number.
    """
    name = channel.name
    if channel.processed is not None:
        return float(decimal_number(channel.processed, f"{name}_input"))
    if channel.raw is None:
        raise Refused(f"there is neither {name}_raw nor {name}_input; correct the channel's name")
    if channel.scale is None:
        raise Refused(
            f"there is no {name}_scale, so the unit of {name}_raw is not known; use"
            " another driver of the kernel's"
        )
    offset = decimal_number(b"0\n" if channel.offset is None else channel.offset, f"{name}_offset")
    raw = decimal_number(channel.raw, f"{name}_raw")
    return float((raw + offset) * decimal_number(channel.scale, f"{name}_scale"))


def of_all_channels(name: str) -> str:
    """Return the name under which a property of all channels of a type stands.

    Args:
        name: Of a channel, such as "in_temp0".
    """
    return _INDEX.sub("", name)


def devices_in(names: Iterable[str]) -> list[str]:
    """Return the names of devices, without triggers and the rest, in the order of their indices."""
    found = [(int(match[1]), name) for name in names if (match := _DEVICE.fullmatch(name))]
    return [name for _, name in sorted(found)]
