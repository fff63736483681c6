"""Instructions for the person at the bench, one for each step."""

from __future__ import annotations

from enum import StrEnum

from calibration.references import Reference
from calibration.references import ReferenceKind as Kind

UNPLUG_FIRST = "unplug first what runs on mains in that water"
"""The caution before a hand goes into the reservoir: salt water conducts very well."""

CAUTIONS = (
    f"Before you take the probe out of the reservoir, {UNPLUG_FIRST}.",
    (
        "Do not drink the reference solutions, pour used portions back or let them into the"
        " reservoir; wipe up spills, the floor gets slippery."
    ),
    "Pour used potassium chloride solutions away with plenty of water where local rules allow.",
    (
        "Clean a probe with water and mild detergent first. For scale use vinegar, citric acid or"
        " at most 5 % hydrochloric acid, for minutes: read its label first, air the room, wear"
        " goggles and gloves; pour acid into water, never water into acid; never use it with"
        " bleach, which sets chlorine free. Rinse well before calibrating."
    ),
    (
        "Neutralise used acid with a little baking soda at a time, in a large open vessel, where"
        " the air moves: it gets warm and gives off gas. Then dispose of it as local rules say."
        " Keep acid away from animals and from every system that holds them."
    ),
)
"""Handling and disposal, from memory of good practice; local rules come first."""


class RoutineStep(StrEnum):
    """The steps of the routine."""

    READY = "ready"
    RINSE = "rinse"
    IMMERSE = "immerse"
    STIR = "stir"
    SETTLE = "settle"
    THERMOMETER = "thermometer"
    CAPTURED = "captured"
    HELD = "held"
    VERDICT = "verdict"
    SAVED = "saved"
    ABORTED = "aborted"


def instruction(step: RoutineStep, reference: Reference, point: str) -> str:
    """Return what to do at a step of one point.

    Args:
        step: RINSE, IMMERSE, STIR, SETTLE or THERMOMETER.
        reference: What the point is taken in.
        point: How the point is called, such as "Point 2 of 3".
    """
    if step is RoutineStep.RINSE:
        return f"{point}, {_named(reference)}. {_RINSE[_group(reference)]} Then confirm."
    if step is RoutineStep.IMMERSE:
        return f"{_IMMERSE[_group(reference)]} Then confirm."
    if step is RoutineStep.STIR:
        return f"{_STIR[_group(reference)]} Then confirm."
    if step is RoutineStep.SETTLE:
        return "Leave it alone now; it is taken by itself once it is steady, a minute at least."
    return (
        "Steady. Read the reference thermometer next to the probe and confirm with its value in °C."
    )


def _named(reference: Reference) -> str:
    if reference.bottle is None:
        return reference.name
    return f"{reference.name}, lot {reference.bottle.lot}"


def _group(reference: Reference) -> Kind:
    return Kind.TABLE if reference.is_solution else reference.kind


_RINSE = {
    Kind.TABLE: "Rinse the probe with purified water and shake it off, then rinse it twice with a"
    " little of the solution and throw that away.",
    Kind.AIR: "Rinse the probe with purified water and dry it, the inside of the cell too.",
    Kind.PURIFIED_WATER: "Rinse the probe three times with purified water.",
    Kind.ICE: "Rinse the probe with purified water.",
}

_IMMERSE = {
    Kind.TABLE: "Pour a third, fresh portion into a clean beaker and immerse the probe beyond its"
    " vent holes, a finger from wall and bottom.",
    Kind.AIR: "Hang the dry probe in still air.",
    Kind.PURIFIED_WATER: "Immerse the probe in fresh purified water beyond its vent holes.",
    Kind.ICE: "Immerse the probe in a slush of crushed ice and purified water, in an insulated"
    " beaker, beyond its thermometer.",
}

_STIR = {
    Kind.TABLE: "Move the probe up and down a few times and tap it, until no bubble is left.",
    Kind.AIR: "Look through the cell: no drop may hang in it.",
    Kind.PURIFIED_WATER: "Move the probe up and down a few times and tap it.",
    Kind.ICE: "Stir the slush for half a minute; there must be ice down to the bottom.",
}
