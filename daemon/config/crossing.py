"""Faults between keys that are each right on their own.

Works on the raw tables, so that a wrong key elsewhere hides none of these.
Anything of the wrong type is passed over: its own key is the fault.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeAlias

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.seawater.gravity_check import looks_like_gravity

Table: TypeAlias = Mapping[str, Any]
Place: TypeAlias = tuple[str | int, ...]


RESERVED = ("alarm", "availability", "command", "event", "reading", "state", "station")
"""Second parts of topics, or of announcements, that are of the station and of no reservoir."""
_BEYOND_ANY_LIMIT = 1e9


class Crossing(NamedTuple):
    """One fault: the key, as a place in the tables, and what must hold."""

    place: Place
    rule: str


def crossings(raw: Table) -> Iterator[Crossing]:
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
    mqtt = raw.get("mqtt")
    if isinstance(mqtt, Mapping) and "password_file" in mqtt and "username" not in mqtt:
        yield Crossing(("mqtt", "password_file"), "needs a username beside it")


def _in_reservoir(table: Table, place: Place) -> Iterator[Crossing]:
    yield from _ordered(table, place, "fill_l", "capacity_l", "litres")
    target, tolerance = _value(table, "target_ppt"), _value(table, "tolerance_ppt")
    blank = _value(table, "blank_max_ppt", 1.0)
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
        yield from _in_due(due, (*place, "due", index), _value(table, "capacity_l"))
    probes = _tables(table, "probe")
    yield from _twice(probes, (*place, "probe"))
    for index, probe in probes:
        if "request" in probe:
            here = (*place, "probe", index)
            yield from _ordered(probe, here, "timeout_s", "period_s", "seconds", above=2.0)


def _in_due(table: Table, place: Place, capacity_l: float | None) -> Iterator[Crossing]:
    told, share = "volume_l" in table, [key in table for key in ("tank_l", "change_percent")]
    if told == any(share) or any(share) != all(share):
        rule = "needs either volume_l or both tank_l and change_percent beside it"
        yield Crossing((*place, "day"), rule)
        return
    volume_l = _value(table, "volume_l")
    tank_l, percent = _value(table, "tank_l"), _value(table, "change_percent")
    if tank_l is not None and percent is not None:
        volume_l = tank_l * percent / 100.0
    if volume_l is not None and capacity_l is not None and volume_l > capacity_l:
        key = "volume_l" if told else "change_percent"
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
    yield from _ordered(table, place, "spike_suspect_ppt", "spike_fail_ppt", "ppt", 0.3, 3.0)
    yield from _ordered(table, place, "flat_suspect_min", "flat_fail_min", "minutes", 10.0, 30.0)


def _ordered(
    table: Table,
    place: Place,
    lower: str,
    upper: str,
    unit: str,
    below: float | None = None,
    above: float | None = None,
) -> Iterator[Crossing]:
    low, high = _value(table, lower, below), _value(table, upper, above)
    if low is not None and high is not None and low > high:
        blamed = lower if lower in table else upper
        other, value = (upper, high) if blamed == lower else (lower, low)
        sense = "not be above" if blamed == lower else "not be below"
        yield Crossing((*place, blamed), f"must {sense} {other} = {value:g} {unit}")


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


def _value(table: Table, key: str, default: float | None = None) -> float | None:
    """Return a number the key may hold, or None for what its own check refuses."""
    value = table.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < _BEYOND_ANY_LIMIT else None
