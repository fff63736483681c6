"""A row of the table: what was measured, beside its floor and its aim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Row:
    """What one budget came to.

    Attributes:
        what: Its name.
        measured: With unit and floor.
        aim: Empty for none.
        kept: Whether it is within its aim; None where there is none.
    """

    what: str
    measured: str
    aim: str
    kept: bool | None

    @classmethod
    def of(cls, what: str, cost: float, floor: float, unit: str, times: float | None) -> Self:
        """Return a row whose aim is so many times its floor; None for no aim."""
        ratio = cost / floor
        measured = f"{ratio:.1f} times the floor: {cost:.3g} {unit} and {floor:.3g}"
        aim = "" if times is None else f"{times:g} times"
        return cls(what, measured, aim, None if times is None else ratio <= times)

    @classmethod
    def at_most(cls, what: str, cost: float, most: float | None, unit: str, floor: str) -> Self:
        """Return a row whose aim is a figure of its own; the floor stands beside it, in words."""
        aim = "" if most is None else f"{most:g} {unit}"
        return cls(what, f"{cost:.3g} {unit}; {floor}", aim, None if most is None else cost <= most)


def as_text(rows: list[Row]) -> str:
    """Return rows as lines of columns, in the way that `figures` reads."""
    verdicts = {None: "", True: "kept", False: "NOT KEPT"}
    cells = [
        ("what", "measured", "aim", ""),
        *((r.what, r.measured, r.aim, verdicts[r.kept]) for r in rows),
    ]
    widths = [max(len(row[column]) for row in cells) for column in range(3)]
    return "".join(
        f"{what:<{widths[0]}}  {measured:<{widths[1]}}  {aim:<{widths[2]}}  {verdict}".rstrip()
        + "\n"
        for what, measured, aim, verdict in cells
    )
