"""Faults between keys that are each right on their own.

Works on the raw tables, so that a wrong key elsewhere hides none of these.
Anything of the wrong type is passed over: its own key is the fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple, TypeAlias

from daemon.config.devices import Device, device_at
from daemon.config.probe import Drivers, section_of
from daemon.config.rules import Table, ordered, plain_number
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.seawater.gravity_check import looks_like_gravity

Place: TypeAlias = tuple[str | int, ...]


RESERVED = ("alarm", "availability", "command", "event", "reading", "state", "station")
"""Second parts of topics, or of announcements, that are of the station and of no reservoir."""


class Crossing(NamedTuple):
    """One fault: the key, as a place in the tables, and what must hold."""

    place: Place
    rule: str


def crossings(raw: Table, drivers: Drivers | None = None) -> Iterator[Crossing]:
    """Yield every fault between keys of the whole file."""
    reservoirs = _tables(raw, "reservoir")
    if raw.get("reservoir") == []:
        yield Crossing(("reservoir",), "must hold at least one section headed [[reservoir]]")
    yield from _twice(reservoirs, ("reservoir",))
    yield from _in_alarms(_tables(raw, "alarm"))
    for index, reservoir in reservoirs:
        if reservoir.get("name") in RESERVED:
            rule = "is what a topic of the station itself is called; give it another name"
            yield Crossing(("reservoir", index, "name"), rule)
        yield from _in_reservoir(reservoir, ("reservoir", index))
        yield from _in_probes(_tables(reservoir, "probe"), ("reservoir", index, "probe"), drivers)
    yield from _used_twice(reservoirs, drivers)
    mqtt = raw.get("mqtt")
    if isinstance(mqtt, Mapping) and "password_file" in mqtt and "username" not in mqtt:
        yield Crossing(("mqtt", "password_file"), "needs a username beside it")


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


def _used_twice(
    reservoirs: Sequence[tuple[int, Table]], drivers: Drivers | None
) -> Iterator[Crossing]:
    """Yield each device that a probe before has already, in whichever reservoir that is."""
    seen: dict[Device, tuple[str, str]] = {}
    for index, reservoir in reservoirs:
        for number, probe in _tables(reservoir, "probe"):
            used = section_of(probe, drivers).alone_at(probe)
            if used is None:
                continue
            key, path = used
            device = device_at(path)
            if device in seen:
                owner, its_path = seen[device]
                way = (
                    "" if path == its_path else f" as {its_path!r}, which leads to the same device"
                )
                rule = f"is the {key} of {owner} already{way}; one {key} serves one probe"
                yield Crossing(("reservoir", index, "probe", number, key), rule)
            seen.setdefault(device, (_probe_in_words(probe, number, reservoir, index), path))


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
    yield from _in_order(place, table, "spike_suspect_ppt", "spike_fail_ppt", "ppt", 0.3, 3.0)
    yield from _in_order(place, table, "flat_suspect_min", "flat_fail_min", "minutes", 10.0, 30.0)


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
