"""An alarm as the page of the present shows it: a flag, its name, why, and what to do."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.local_time import local_iso
from daemon.mixing.alarm.alarm_state import UNACKNOWLEDGED_STATES, LifecycleState
from daemon.mixing.alarm.catalogue import Priority
from daemon.page.blocks import short
from daemon.page.labels import alarm_words, sentence
from daemon.page.now.buttons import MakePresses, no_presses, of_alarm

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import tzinfo

    from daemon.page.acts.forms import Press
    from daemon.page.view import AlarmView

FIGURE = re.compile(r"\d+(\.\d+)?", re.ASCII)
FURLED, SILENT = "furled", "silent"
"""Flags of an alarm that is over and waits to be acknowledged, and of one that is put aside."""
ASKED = "batch-suspended"
"""The alarm that says what the question of a suspended batch says."""


@dataclass(frozen=True, slots=True)
class PanelWords:
    """What a panel says already, so that its alarms do not say it a second time.

    Attributes:
        act: What to do next, as a sentence.
        advice: That is in force; may be empty.
        question: Whether a question is asked.
    """

    act: str = ""
    advice: str = ""
    question: bool = False


@dataclass(frozen=True, slots=True)
class AlarmPart:
    """An alarm.

    Attributes:
        name: In words.
        flag: Name of its shape: its priority, or how it is at rest.
        details: Priority, state, by whom, until when and why, in a line.
        why: The reason it was raised for, as a sentence; empty where it stands elsewhere.
        do: What to do, as a sentence; empty where it stands elsewhere.
        presses: What acknowledges it.
    """

    name: str
    flag: str
    details: str
    why: str = ""
    do: str = ""
    presses: tuple[Press, ...] = ()


NOTHING = PanelWords()


def alarm_parts(
    alarms: Iterable[AlarmView],
    zone: tzinfo,
    presses: MakePresses = no_presses,
    said: PanelWords = NOTHING,
) -> tuple[AlarmPart, ...]:
    """Return alarms in their order.

    Args:
        alarms: Those of one place.
        zone: Of the station.
        presses: Gives buttons.
        said: What stands beside them already.
    """
    return tuple(
        replace(_alarm_part(each, zone, said), presses=of_alarm(each, presses)) for each in alarms
    )


def unacknowledged(alarms: Iterable[AlarmView]) -> int:
    """Count the alarms that wait to be acknowledged, those that are over too."""
    waiting = [*map(str, UNACKNOWLEDGED_STATES)]
    return sum(each.state in waiting for each in alarms)


def _alarm_part(alarm: AlarmView, zone: tzinfo, said: PanelWords) -> AlarmPart:
    until = f"until {local_iso(alarm.until, zone)}" if alarm.until else ""
    by = f"by {alarm.who}" if alarm.who else ""
    words = (alarm.priority, alarm_words(alarm.state), by, until, alarm.reason)
    details = ", ".join(word for word in words if word)
    name, flag = short(alarm.name.replace("-", " ")), _flag(alarm)
    if flag == SILENT:
        active = "; its condition is active" if alarm.active else ""
        return AlarmPart(name, flag, short(details + active))
    if alarm.name == ASKED and said.question:
        return AlarmPart(name, flag, short(details))
    why = "" if not alarm.why or _is_same(alarm.why, said.advice) else sentence(alarm.why)
    do = sentence(alarm.do) if alarm.do else ""
    if flag == FURLED:
        return AlarmPart(name, flag, short(f"{details}; its condition is over"), short(why))
    return AlarmPart(name, flag, short(details), short(why), "" if do == said.act else short(do))


def _is_same(why: str, advice: str) -> bool:
    """Return whether a reason is an advice, whose figures may have been renewed since."""
    return FIGURE.sub("0", why) == FIGURE.sub("0", advice)


def _flag(alarm: AlarmView) -> str:
    if alarm.state == LifecycleState.RETURNED_UNACKNOWLEDGED:
        return FURLED
    if not alarm.announced:
        return SILENT
    return alarm.priority if alarm.priority in [*map(str, Priority)] else str(Priority.HIGH)
