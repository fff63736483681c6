"""The part that one of several probes has in the salinity of the water, as people read it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ProbeSnapshot


def part_words(one: ProbeSnapshot) -> str:
    """Return what a probe reads, with its expanded uncertainty (k=2), and whether that counts."""
    if one.salinity is None or one.salinity_u is None:
        return one.part
    return f"{one.salinity:.2f} ± {2.0 * one.salinity_u:.2f} ppt, {one.part}"
