"""The acts that the page of the present has as buttons: acknowledging alarms, and answering."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from daemon.page.acts import offers

if TYPE_CHECKING:
    from daemon.page.acts.forms import Press
    from daemon.page.acts.offers import Offer
    from daemon.page.view import AlarmView, ReservoirView

MakePresses = Callable[[Iterable["Offer"]], list["Press"]]
"""Gives the buttons of those offers that may be sent."""
ACKNOWLEDGE = "acknowledge"


def no_presses(_: Iterable[Offer]) -> list[Press]:
    """Return no button, as where the page takes no commands."""
    return []


def of_alarm(alarm: AlarmView, presses: MakePresses) -> tuple[Press, ...]:
    """Return the button that acknowledges an alarm; none where nothing is to be acknowledged."""
    return tuple(presses(each for each in offers.of_alarm(alarm) if each.kind == ACKNOWLEDGE))


def of_all(alarms: Iterable[AlarmView], place: str, presses: MakePresses) -> tuple[Press, ...]:
    """Return the button that acknowledges all alarms of a place; none for fewer than two.

    Args:
        alarms: Every one that is not normal.
        place: Name of the reservoir; empty for the station.
        presses: Gives buttons.
    """
    return tuple(presses(offers.of_alarms(alarms, place)))


def of_question(reservoir: ReservoirView, presses: MakePresses) -> tuple[Press, ...]:
    """Return the answers to a question that waits now, a button each."""
    return tuple(presses(offers.of_question(reservoir))) if reservoir.fresh else ()
