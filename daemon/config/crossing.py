"""Faults between keys that are each right on their own.

Works on the raw tables, so that a wrong key elsewhere hides none of these.
Anything of the wrong type is passed over: its own key is the fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple, TypeAlias

from daemon.config.broker_access import access_crossings
from daemon.config.devices import Device, device_at
from daemon.config.page_access import page_crossings
from daemon.config.probe import (
    Drivers,
    Occupation,
    Quantity,
    Source,
    UncheckedInput,
    UncheckedProbe,
    input_section_of,
    section_of,
)
from daemon.config.rules import Table, ordered, plain_number
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.seawater.gravity_check import looks_like_gravity

Place: TypeAlias = tuple[str | int, ...]


RESERVED = ("alarm", "availability", "command", "event", "hub", "reading", "state", "station")
"""Second parts of topics, or of announcements, that are of the station and of no reservoir."""


class Crossing(NamedTuple):
    """One fault: the key, as a place in the tables, and what must hold.

    A key that is not there is one that is missing, as the rule then says.
    """

    place: Place
    rule: str


def crossings(raw: Table, drivers: Drivers | None = None) -> Iterator[Crossing]:
    """Yield every fault between keys of the whole file."""
    reservoirs, inputs = _tables(raw, "reservoir"), _tables(raw, "input")
    if raw.get("reservoir") == []:
        yield Crossing(("reservoir",), "must hold at least one section headed [[reservoir]]")
    yield from _twice(reservoirs, ("reservoir",))
    yield from _in_alarms(_tables(raw, "alarm"))
    yield from _twice(inputs, ("input",))
    for index, table in inputs:
        for key, rule in input_section_of(table, drivers).crossings(table):
            yield Crossing(("input", index, key), rule)
    given = {str(table.get("name")): _gives(table, drivers) for _, table in inputs}
    for index, reservoir in reservoirs:
        if reservoir.get("name") in RESERVED:
            rule = "is what a topic of the station itself is called; give it another name"
            yield Crossing(("reservoir", index, "name"), rule)
        yield from _in_reservoir(reservoir, ("reservoir", index))
        yield from _in_probes(_tables(reservoir, "probe"), ("reservoir", index, "probe"), drivers)
        yield from _joined(reservoir, ("reservoir", index), given, drivers)
    yield from _used_twice(_sections(reservoirs, inputs, drivers))
    mqtt = raw.get("mqtt")
    if isinstance(mqtt, Mapping):
        for key, rule in access_crossings(mqtt):
            yield Crossing(("mqtt", key), rule)
    page = raw.get("page")
    if isinstance(page, Mapping):
        for key, rule in page_crossings(page):
            yield Crossing(("page", key), rule)


def _in_reservoir(table: Table, place: Place) -> Iterator[Crossing]:
    yield from _in_order(place, table, "fill_l", "capacity_l", "litres")
    target, tolerance = plain_number(table, "target_ppt"), plain_number(table, "tolerance_ppt")
    blank = plain_number(table, "blank_max_ppt", 1.0)
    meant = "" if target is None else looks_like_gravity(target)
    if meant:
        yield Crossing((*place, "target_ppt"), meant)
    elif (
        target is not None
        and tolerance is not None
        and blank is not None
        and target > 0
        and target - tolerance <= blank
    ):
        rule = (
            f"less tolerance_ppt = {tolerance:g} is not above blank_max_ppt = {blank:g} ppt, so"
            " right water would count as purified; lower tolerance_ppt or blank_max_ppt"
        )
        yield Crossing((*place, "target_ppt"), rule)
    quality = table.get("quality")
    if isinstance(quality, Mapping):
        yield from _in_quality(quality, (*place, "quality"))
    for index, due in _tables(table, "due"):
        yield from _in_due(due, (*place, "due", index), plain_number(table, "capacity_l"))


def _in_probes(
    tables: Sequence[tuple[int, Table]], place: Place, drivers: Drivers | None
) -> Iterator[Crossing]:
    yield from _twice(tables, place)
    for index, probe in tables:
        for key, rule in section_of(probe, drivers).crossings(probe):
            yield Crossing((*place, index, key), rule)


class _Use(NamedTuple):
    """A section that may use a device: where it stands, what it is called, and how it is read."""

    place: Place
    words: str
    table: Table
    section: type[Source]


def _sections(
    reservoirs: Sequence[tuple[int, Table]],
    inputs: Sequence[tuple[int, Table]],
    drivers: Drivers | None,
) -> Iterator[_Use]:
    """Yield the section of each probe, in whichever reservoir that is, and of each input."""
    for index, reservoir in reservoirs:
        for number, probe in _tables(reservoir, "probe"):
            words = _probe_in_words(probe, number, reservoir, index)
            place = ("reservoir", index, "probe", number)
            yield _Use(place, words, probe, section_of(probe, drivers))
    for index, table in inputs:
        words = f"input {str(table.get('name', index + 1))[:63]}"
        yield _Use(("input", index), words, table, input_section_of(table, drivers))


def _used_twice(sections: Iterator[_Use]) -> Iterator[Crossing]:
    """Yield each device that a section before has already, and that both cannot share."""
    first: dict[Device, tuple[_Use, Occupation]] = {}
    places: dict[tuple[Device, str], _Use] = {}
    for use in sections:
        own = use.section.occupies(use.table)
        if own is None:
            continue
        device = device_at(own.path)
        before, its = first.setdefault(device, (use, own))
        if before is not use and not _shared(own, its):
            yield Crossing((*use.place, own.key), _taken(own, before, its))
        elif own.place and (there := places.setdefault((device, own.place), use)) is not use:
            rule = f"is {own.place} of {own.path}, which {there.words} uses already"
            yield Crossing((*use.place, own.place_key), rule)


def _shared(one: Occupation, other: Occupation) -> bool:
    return bool(one.shared_as) and one.shared_as == other.shared_as


def _taken(own: Occupation, before: _Use, its: Occupation) -> str:
    alike = own.path == its.path
    way = "" if alike else f" as {its.path!r}, which leads to the same device"
    rule = f"is the {its.key} of {before.words} already{way}"
    if own.shared_as and its.shared_as:
        return f"{rule}, there for {its.shared_as} and here for {own.shared_as}; make both the same"
    return f"{rule}; one {own.key} serves one probe"


def _gives(table: Table, drivers: Drivers | None) -> frozenset[Quantity] | None:
    """Return what an input gives; None where its driver is not known here."""
    section = input_section_of(table, drivers)
    return None if section is UncheckedInput else section.gives(table)


def _joined(
    reservoir: Table,
    place: Place,
    given: Mapping[str, frozenset[Quantity] | None],
    drivers: Drivers | None,
) -> Iterator[Crossing]:
    """Yield each quantity of a probe that comes from nowhere, or from no such input."""
    yield from _from_input(reservoir, place, "pump_from", "pump", given)
    for index, probe in _tables(reservoir, "probe"):
        here = (*place, "probe", index)
        yield from _from_input(probe, here, "temperature_from", "temperature", given)
        section = section_of(probe, drivers)
        if section is UncheckedProbe:
            continue
        gives = section.gives(probe)
        if "conductivity" not in gives:
            key, rule = section.lack("conductivity")
            yield Crossing((*here, key), f"{rule}; a probe measures conductivity itself")
        if "temperature" not in gives and "temperature_from" not in probe:
            key, rule = section.lack("temperature")
            more = "or name the [[input]] that measures it in temperature_from"
            yield Crossing((*here, key), f"{rule}; add that, {more}")


def _from_input(
    table: Table,
    place: Place,
    key: str,
    quantity: Quantity,
    given: Mapping[str, frozenset[Quantity] | None],
) -> Iterator[Crossing]:
    named = table.get(key)
    if not isinstance(named, str):
        return
    if named not in given:
        known = f"there are {', '.join(given)}" if given else "there is none"
        yield Crossing((*place, key), f"is the name of no [[input]]; {known}")
        return
    gives = given[named]
    if gives is not None and quantity not in gives:
        yield Crossing((*place, key), f"is an [[input]] that gives no {quantity}")


def _probe_in_words(probe: Table, number: int, reservoir: Table, index: int) -> str:
    name, of = probe.get("name", number + 1), reservoir.get("name", index + 1)
    return f"probe {str(name)[:63]} of reservoir {str(of)[:63]}"


def _in_due(table: Table, place: Place, capacity_l: float | None) -> Iterator[Crossing]:
    given, share = "volume_l" in table, [key in table for key in ("tank_l", "change_percent")]
    if given == any(share) or any(share) != all(share):
        rule = "needs either volume_l or both tank_l and change_percent beside it"
        yield Crossing((*place, "day"), rule)
        return
    volume_l = plain_number(table, "volume_l")
    tank_l, percent = plain_number(table, "tank_l"), plain_number(table, "change_percent")
    if tank_l is not None and percent is not None:
        volume_l = tank_l * percent / 100.0
    if volume_l is not None and capacity_l is not None and volume_l > capacity_l:
        key = "volume_l" if given else "change_percent"
        rule = f"asks for {volume_l:g} L, more than capacity_l = {capacity_l:g} of the reservoir"
        yield Crossing((*place, key), rule)


def _in_alarms(tables: Sequence[tuple[int, Table]]) -> Iterator[Crossing]:
    yield from _twice(tables, ("alarm",))
    for index, table in tables:
        row = CATALOGUE.get(str(table.get("name")))
        if row is not None and row.deadband is None and "deadband" in table:
            known = ", ".join(each.name for each in CATALOGUE.values() if each.deadband is not None)
            rule = f"is of no use to {row.name}, which has no deadband; those that have are {known}"
            yield Crossing(("alarm", index, "deadband"), rule)


def _in_quality(table: Table, place: Place) -> Iterator[Crossing]:
    # Where one of a pair is left out the program keeps them in order itself, but for these.
    yield from _in_order(place, table, "spike_suspect_ppt", "spike_fail_ppt", "ppt", 0.3, 3.0)
    yield from _in_order(place, table, "flat_suspect_min", "flat_fail_min", "minutes", 10.0, 30.0)
    if {"attenuated_suspect_mS_cm", "attenuated_fail_mS_cm"} <= table.keys():
        keys = ("attenuated_fail_mS_cm", "attenuated_suspect_mS_cm")
        yield from _in_order(place, table, *keys, "mS/cm", 0.0, 0.0)


def _in_order(
    place: Place, table: Table, lower: str, upper: str, unit: str, *defaults: float
) -> Iterator[Crossing]:
    for key, rule in ordered(table, lower, upper, unit, *defaults):
        yield Crossing((*place, key), rule)


def _twice(tables: Sequence[tuple[int, Table]], place: Place) -> Iterator[Crossing]:
    seen: dict[str, int] = {}
    for index, table in tables:
        name = table.get("name")
        if not isinstance(name, str):
            continue
        if name in seen:
            yield Crossing(
                (*place, index, "name"),
                f"is already the name of {place[-1]} {seen[name] + 1}; give each its own",
            )
        seen.setdefault(name, index)


def _tables(table: Table, key: str) -> list[tuple[int, Table]]:
    found = table.get(key)
    if not isinstance(found, list):
        return []
    return [(index, one) for index, one in enumerate(found) if isinstance(one, Mapping)]
