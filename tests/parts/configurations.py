"""The one factory of configurations: a station with one reservoir, and what a test adds to it."""

from __future__ import annotations

STATION = """\
[station]
name = "quarantine-wing"
"""
RESERVOIR = """\
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""
JOURNAL = """\
[journal]
path = "journal.db"
"""


def configuration(more: str = "", *, station: str = "", reservoir: str = "") -> str:
    """Return the text of a configuration file that is right.

    Args:
        more: Further sections; those of the reservoir's probe come first.
        station: Further lines of its section.
        reservoir: Further lines of its section.
    """
    return f"{STATION}{station}{RESERVOIR}{reservoir}{more}"
