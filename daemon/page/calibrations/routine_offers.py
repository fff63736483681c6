"""What can be done about a routine now, the likely act first."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping

from daemon.page.acts.offers import Offer
from daemon.page.calibrations.answers import RoutineAnswer

CONFIRMS = {
    "rinse": "Rinsed",
    "immerse": "It stands in the reference",
    "stir": "No bubble is left",
}
"""What the button of a step says that a person has done."""
ON_WARNING = {"wait": "Wait longer", "swap": "Yes, swap the two references"}
REPEATABLE = dict.fromkeys(("settle", "thermometer", "held", "captured"), "Repeat this point") | {
    "verdict": "Repeat the last point"
}
"""Steps at which a point can be taken once more, and what the button says."""
SAVES = {
    "accept": "Save it and put it in force",
    "accept_with_warning": "Save it and put it in force",
    "hold": "Keep it on record, held",
    "refuse": "Keep the attempt on record; it is not used",
}
"""What the confirmation of a verdict does."""


def begin_offers(reservoir: str, probe: str, references: str, not_after: str) -> list[Offer]:
    """Return how a routine can begin.

    Args:
        reservoir: Of the probe.
        probe: Its name.
        references: As configured, to begin with; empty for none.
        not_after: A command that is carried out later begins nothing, ISO 8601.
    """
    about = {"probe": probe, "not_after": not_after}
    if references:
        about["references"] = references
    return [Offer(kind, reservoir, about) for kind in ("calibration-start", "calibration-check")]


def routine_offers(routine: RoutineAnswer) -> list[Offer]:
    """Return what the present step of a routine takes.

    Each carries the turn, so that an older page does nothing to what came since.
    """
    step = routine.step

    def offer(kind: str, button: str = "", **more: str) -> Offer:
        about: Mapping[str, str] = {"probe": routine.probe, "step": step, **more}
        return Offer(kind, routine.reservoir, about, button, since=routine.turn)

    def act(kind: str, button: str = "") -> Offer:
        return offer(kind, button, turn=routine.turn)

    if not routine.runs:
        return [offer("calibration-confirm", f"Probe {routine.probe} is back in the water")]
    offers = [*_likely(routine, act)]
    if step in REPEATABLE:
        offers.append(act("calibration-retry", REPEATABLE[step]))
    return [*offers, act("calibration-abort")]


def _likely(routine: RoutineAnswer, act: Callable[[str, str], Offer]) -> list[Offer]:
    """Return the act that leads on, where there is one."""
    step = routine.step
    if step in CONFIRMS:
        return [act("calibration-confirm", CONFIRMS[step])]
    if step == "held":
        return _on_warning(routine.on_confirm, act)
    if step == "thermometer":
        return [act("calibration-temperature", "")]
    if step == "captured":
        last = routine.point >= routine.points
        return [act("calibration-next", "To the verdict" if last else "Next point")]
    if step == "verdict":
        return [act("calibration-confirm", _saves(routine))]
    return []


def _on_warning(on_confirm: str, act: Callable[[str, str], Offer]) -> list[Offer]:
    if on_confirm in ON_WARNING:
        return [act("calibration-confirm", ON_WARNING[on_confirm])]
    return [act("calibration-anyway", "")] if on_confirm == "go_on" else []


def _saves(routine: RoutineAnswer) -> str:
    if routine.kind_ == "check":
        return "Keep the check on record"
    outcome = "refuse" if routine.verdict is None else routine.verdict.outcome
    return SAVES.get(outcome, "Keep it on record")


def commands_to_begin(reservoir: str, probe: str) -> list[str]:
    """Return the command lines that begin a routine."""
    where = f"--reservoir {shlex.quote(reservoir)} --probe {shlex.quote(probe)}"
    return [f"brinewright calibrate {where}", f"brinewright calibrate check {where}"]


def commands_during(routine: RoutineAnswer) -> list[str]:
    """Return the command lines that end a routine."""
    where = f"--reservoir {shlex.quote(routine.reservoir)} --probe {shlex.quote(routine.probe)}"
    return [f"brinewright calibrate {'abort' if routine.runs else 'back'} {where}"]
