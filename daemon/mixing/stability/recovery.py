"""After a fall was taken for water: is the level called read again?

Then it was a bubble that stayed for long, and the call holds as it did.  What comes back must come
back at once, as a bubble goes: salt that makes up for water that came takes minutes to dissolve,
and there may be more of it to come.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.mixing.stability.cells import CELL_S
from daemon.mixing.stability.drift_watch import INSIDE_SHARE, DriftWatch, limit_of
from daemon.mixing.stability.findings import Recovered

RETURNS_S = 900.0
"""So long after a fall was declared the call may be reinstated, s."""
BACK_CELLS = 4
"""So many of the newest cells must lie at the level called: two minutes."""


@dataclass(slots=True)
class UndoneCall:
    """A call that a fall has undone; the watch of its level goes on.

    Attributes:
        index: Cell in which it was undone.
        armed_at_s: When the decision began that had led to the call, s.
        began_by: What had begun it.
        first_index: Oldest cell that it had looked at.
    """

    index: int
    armed_at_s: float | None
    began_by: str
    first_index: int


def recovered(
    watch: DriftWatch, salinity: float, index: int, pump_off_index: int | None
) -> Recovered | None:
    """Return that the level called is read again; None where it is not.

    Args:
        watch: Of that level; its trail goes on.
        salinity: Of the newest cell.
        index: Of that cell.
        pump_off_index: Newest cell in which a pump input said "off"; None for none.
    """
    watch.trail.add(salinity, watch.step.share * watch.level, index)
    limit = limit_of(watch)
    tolerance = INSIDE_SHARE * limit
    back = [abs(each - watch.level) <= tolerance for each in watch.trail.values]
    # Judged once, on its return: minutes later the trail has lost how it began.
    if not all(back[-BACK_CELLS:]) or back[-BACK_CELLS - 1 : -BACK_CELLS] != [False]:
        return None
    stood = pump_off_index is not None and pump_off_index > watch.inside_index
    if stood or not watch.trail.rose_at_once(watch.level, limit):
        return None
    return Recovered(watch.level, tolerance, (index - watch.inside_index) * CELL_S / 60.0)


def is_over(undone: UndoneCall, index: int) -> bool:
    """Return whether it is too late for the call to be reinstated."""
    return (index - undone.index) * CELL_S > RETURNS_S


def watch_again(watch: DriftWatch, index: int) -> None:
    """Let the watch of a call go on that is reinstated at a cell."""
    watch.recent, watch.fall, watch.inside_index = watch.trail.values[-BACK_CELLS:], None, index
