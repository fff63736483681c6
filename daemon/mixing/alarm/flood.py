"""Whether alarms come faster than a person can look at them.

Source: ANSI/ISA-18.2-2016 and EEMUA 191 (from memory): a flood begins above ten
alarms in ten minutes and ends below five in ten minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

SPAN_S = 600.0
BEGINS_ABOVE = 10
ENDS_BELOW = 5
MOST_COUNTED = 200


@dataclass(slots=True)
class Load:
    """Recent raisings; plain data.

    Attributes:
        raised_s: When each was, s, of the last ten minutes.
        flooding: Whether there is a flood.
        in_flood: Raisings since it began.
    """

    raised_s: list[float] = field(default_factory=list)
    flooding: bool = False
    in_flood: int = 0


def advance(load: Load, raised: int, t_s: float) -> str:
    """Count the alarms raised now; return a sentence when a flood begins or ends, else nothing.

    Args:
        load: Changed in place.
        raised: Alarms raised now.
        t_s: Monotonic time, s.
    """
    if not raised and not load.raised_s:
        return ""
    load.raised_s = [each for each in load.raised_s if t_s - each < SPAN_S]
    load.raised_s = [*load.raised_s, *[t_s] * raised][-MOST_COUNTED:]
    load.in_flood += raised
    if not load.flooding:
        load.flooding = len(load.raised_s) > BEGINS_ABOVE
        load.in_flood = len(load.raised_s)
        return _FLOOD_BEGAN if load.flooding else ""
    if len(load.raised_s) >= ENDS_BELOW:
        return ""
    load.flooding = False
    return f"the flood of alarms has ended; {load.in_flood} were raised in it"


_FLOOD_BEGAN = (
    f"more than {BEGINS_ABOVE} alarms within {SPAN_S / 60.0:g} min: look for one cause of all"
)
