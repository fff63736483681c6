"""The keys of a pump contact at a line of a GPIO chip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field

from daemon.config.fields import number, one_of, text
from daemon.config.probe import Occupation, Quantity, Source

if TYPE_CHECKING:
    from daemon.config.rules import Table

LARGEST_OFFSET = 4095
"""Our own choice; no chip has so many lines."""


def _line(value: object) -> object:
    """Return a line as text, be it given by its name or by its offset."""
    plain = isinstance(value, int) and not isinstance(value, bool)
    return f"{value}" if plain and 0 <= int(str(value)) <= LARGEST_OFFSET else value


class GpioSection(Source):
    """The section of `driver = "gpio"`: a contact that says whether the pump runs.

    Attributes:
        chip: Label of the chip, or its device.
        line: Name of the line, or its offset.
        active_low: Whether a low level means that the pump runs, as where a contact that closes
            joins the line to ground.
        bias: What holds the line where no contact does: "pull-up", "pull-down" or "none".
        debounce_s: How long a level must last until it counts.
    """

    chip: str = text(
        "the label of a GPIO chip such as 'pinctrl-bcm2711', or its device such as '/dev/gpiochip0'"
    )
    line: Annotated[str, BeforeValidator(_line)] = text(
        "the name of a line such as 'GPIO17', or its offset such as 17", longest=31
    )
    active_low: bool = Field(default=True, description="true or false")
    bias: Literal["pull-up", "pull-down", "none"] = one_of(
        "pull-up", "pull-down", "none", default="pull-up"
    )
    debounce_s: float = number(0, 5, "seconds", 0.05)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the chip, which others may use too, and the line, which they may not."""
        chip, line = table.get("chip"), _line(table.get("line"))
        if not isinstance(chip, str) or not chip or not isinstance(line, str):
            return None
        return Occupation("chip", chip, "gpio", f"line {line}", "line")

    @classmethod
    def gives(cls, table: Table) -> frozenset[Quantity]:  # noqa: ARG003 - no key changes it
        """Return that a contact says nothing of the water."""
        return frozenset(("pump",))
