"""`[[alarm]]`: what the owner wants otherwise of one alarm."""

from __future__ import annotations

import difflib
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from daemon.config.fields import Section, number, one_of
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.former_names import PRESENT_NAMES


def _known(value: str) -> str:
    if value in CATALOGUE:
        return value
    if value in PRESENT_NAMES:
        raise ValueError(f"is the former name of {PRESENT_NAMES[value]!r}; write that instead")
    close = difflib.get_close_matches(value[:60], CATALOGUE, n=1, cutoff=0.5)
    near = f"the nearest is {close[0]!r}" if close else f"known are {', '.join(CATALOGUE)}"
    raise ValueError(f"there is no such alarm, {near}")


class Alarm(Section):
    """`[[alarm]]`: settings of one alarm, for every reservoir; what is left out stays.

    Attributes:
        name: Of the alarm.
        priority: Instead of the one that consequence and time to respond give.
        on_delay_s: How long its condition must last to raise it, seconds.
        off_delay_s: How long it must be away to clear it, seconds.
        deadband: How far back the value must go, in the unit that `alarm catalogue` names.
    """

    name: Annotated[str, AfterValidator(_known)] = Field(
        description="the name of an alarm, as 'brinewright alarm catalogue' lists them"
    )
    priority: Literal["high", "medium", "low"] | None = one_of(
        "high", "medium", "low", default=None
    )
    on_delay_s: float | None = number(0, 86_400, "seconds", None)
    off_delay_s: float | None = number(0, 86_400, "seconds", None)
    deadband: float | None = number(0, 10, "in the unit of that alarm", None)
