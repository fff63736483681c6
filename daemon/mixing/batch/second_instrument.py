"""Why a second instrument may read otherwise than the probe: likely causes, by the size of it."""

from __future__ import annotations

SODIUM_CHLORIDE_PPT = 1.5
"""How much too high a refractometer scaled for sodium chloride reads in seawater.

Source: the refractive index of seawater (Quan and Fry, Applied Optics 34, 1995) against
tables of sodium chloride solutions: + 1.4 to + 1.6 at salinities 33 to 35, 20 °C.
"""
SODIUM_CHLORIDE_LOW_PPT, SODIUM_CHLORIDE_HIGH_PPT = 1.0, 2.0
"""Between which it is named; our own choice: the bias and half a division to either side."""

NOT_OPTICAL = ("hydromet", "areomet", "conductiv", "swing", "float", "refractive index")
"""Parts of names of instruments that have no such scale; an index is read on none."""


def likely_cause(apart_ppt: float, instrument: str) -> str:
    """Return what may make a second instrument read otherwise than the probe.

    Args:
        apart_ppt: Its practical salinity less that of the probe.
        instrument: What it was, in the reader's words; may be anything.

    Returns:
        A part of a sentence; empty where no cause is likely by the size alone.
    """
    optical = not any(part in instrument.lower() for part in NOT_OPTICAL)
    if optical and SODIUM_CHLORIDE_LOW_PPT <= apart_ppt <= SODIUM_CHLORIDE_HIGH_PPT:
        return (
            f"a refractometer scaled for sodium chloride reads about {SODIUM_CHLORIDE_PPT:g} too"
            " high in seawater"
        )
    return ""
