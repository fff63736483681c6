"""What a probe is checked against: a conductivity at a temperature, and how sure it is.

A reference is plain data.  `value_at` gives its value; the sources of uncertainty stay
apart, so that a budget can name them and two dips into one bottle share them.

Sources: see each table in `calibration.tables`; seawater by PSS-78, UNESCO
Technical Papers in Marine Science 44 (1983), inverse by the Gibbs SeaWater toolbox.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import gsw

from calibration.curves import OutsideTable, ValueTable, bend_limit, linear, monotone
from calibration.gum import Input, expanded, rectangular, standard
from calibration.reference_checks import check_label, check_rise
from calibration.solution import ReferenceSolution, Tolerance
from calibration.tables import PUBLISHED, SOLVENT

_STEP_C = 0.05
_AIR_LIMIT_MS_CM = 0.002
_ICE_LIMIT_C = 0.02
_SALINITY_LOW, _SALINITY_HIGH = 2.0, 42.0
_SEAWATER_LOW_C, _SEAWATER_HIGH_C = -2.0, 35.0
_SEAWATER_ABSOLUTE_PERCENT = 0.02


class ReferenceKind(StrEnum):
    """How the value of a reference comes about."""

    PUBLISHED = "published"
    SEAWATER = "seawater"
    TABLE = "table"
    AIR = "air"
    PURIFIED_WATER = "purified_water"
    ICE = "ice"


@dataclass(frozen=True, slots=True)
class Reference:
    """One thing of known conductivity, or of known temperature.

    Attributes:
        key: Short and stable; two points with one key share its uncertainty.
        name: For a person.
        kind: How the value comes about.
        published: Key into `calibration.tables.PUBLISHED`, for that kind.
        label_mS_cm: At `label_C`, scales a published curve; None to take it as it is.
        label_C: Temperature that the label speaks of, °C.
        salinity: Practical salinity, for seawater.
        salinity_u: Standard uncertainty of it, where no bottle states one.
        table: The bottle's own table, for that kind, mS/cm.
        limit_mS_cm: For purified water, the most it conducts.
        with_solvent: A solution made here in air: its water's own conductivity is added.
        bottle: Lot, dates and tolerance; None for what needs no bottle.
    """

    key: str
    name: str
    kind: ReferenceKind
    published: str = ""
    label_mS_cm: float | None = None
    label_C: float = 25.0
    salinity: float = 0.0
    salinity_u: float = 0.0
    table: ValueTable | None = None
    limit_mS_cm: float = 0.0
    with_solvent: bool = False
    bottle: ReferenceSolution | None = None

    @property
    def is_solution(self) -> bool:
        """Whether it tells the cell constant: neither the zero nor only a temperature."""
        return self.kind in (ReferenceKind.PUBLISHED, ReferenceKind.SEAWATER, ReferenceKind.TABLE)

    @property
    def is_zero(self) -> bool:
        """Whether it tells what the instrument shows when there is nothing to show."""
        return self.kind in (ReferenceKind.AIR, ReferenceKind.PURIFIED_WATER)


@dataclass(frozen=True, slots=True)
class Value:
    """A reference at one temperature.

    Attributes:
        conductivity_mS_cm: Assigned value.
        per_C: How it grows with temperature, mS/cm per °C.
        causes: Sources of its uncertainty, independent, each in mS/cm.
        source: Where it comes from.
    """

    conductivity_mS_cm: float
    per_C: float
    causes: tuple[Input, ...]
    source: str

    @property
    def u_mS_cm(self) -> float:
        """Standard uncertainty at that temperature, mS/cm."""
        return math.hypot(*(cause.u for cause in self.causes))


def published(
    key: str, bottle: ReferenceSolution | None = None, *, label_mS_cm: float | None = None
) -> Reference:
    """A potassium chloride solution with a published curve.

    Args:
        key: One of `calibration.tables.PUBLISHED`.
        bottle: Where it came out of one.
        label_mS_cm: The bottle's own value at 25 °C, where it states one.

    Raises:
        ValueError: No such solution, or a label that is not of it.
    """
    if key not in PUBLISHED:
        raise ValueError(f"there is no solution {key!r}; known are {', '.join(PUBLISHED)}")
    if label_mS_cm is not None:
        check_label(key, label_mS_cm)
    return Reference(
        _keyed(key, bottle),
        PUBLISHED[key].name,
        ReferenceKind.PUBLISHED,
        published=key,
        label_mS_cm=label_mS_cm,
        bottle=bottle,
    )


def prepared(key: str, tolerance_percent: float, lot: str = "made here") -> Reference:
    """A primary standard weighed out here, in water that has met the air.

    The water's own conductivity is added, as its table demands.

    Args:
        key: One of the solutions by molality in `calibration.tables.PUBLISHED`.
        tolerance_percent: Of the weighing, expanded, k = 2.
        lot: A name for this preparation.

    Raises:
        ValueError: As `published`.
    """
    bottle = ReferenceSolution(lot, tolerance_percent, Tolerance.COVERAGE_2)
    return replace(published(key, bottle), with_solvent=True)


def seawater(
    salinity: float, salinity_u: float = 0.0, bottle: ReferenceSolution | None = None
) -> Reference:
    """Seawater of stated practical salinity.

    Args:
        salinity: PSS-78, 2 to 42.
        salinity_u: Standard uncertainty of it; a bottle's tolerance, which is in
            % of conductivity, is added to it.
        bottle: Where it came out of one.

    Raises:
        ValueError: The salinity or its uncertainty leaves its range.
    """
    if not 0.0 <= salinity_u < math.inf:
        raise ValueError(f"the uncertainty of the salinity, {salinity_u:g}, must be 0 or more")
    if not _SALINITY_LOW <= salinity <= _SALINITY_HIGH:
        raise ValueError(f"practical salinity {salinity:g} is outside PSS-78, 2 to 42")
    key = _keyed(f"seawater-{salinity:g}", bottle)
    name = f"seawater of practical salinity {salinity:g}"
    return Reference(
        key, name, ReferenceKind.SEAWATER, salinity=salinity, salinity_u=salinity_u, bottle=bottle
    )


def own_table(name: str, rows: dict[float, float], bottle: ReferenceSolution) -> Reference:
    """A bottle with a table of its own: the only right way for a salt that it does not name.

    Args:
        name: For a person.
        rows: mS/cm by °C, two or more.
        bottle: Its lot, dates and tolerance.

    Raises:
        ValueError: The table has too few rows, a value that is not above 0, or
            does not rise with temperature as solutions of salt in water do.
    """
    table = ValueTable(name, tuple(sorted(rows)), tuple(rows[at] for at in sorted(rows)))
    check_rise(table)
    return Reference(
        _keyed("bottle", bottle), name, ReferenceKind.TABLE, table=table, bottle=bottle
    )


def air() -> Reference:
    """The dry cell in air, which conducts nothing."""
    return Reference("air", "the dry cell in air", ReferenceKind.AIR)


def purified_water(limit_mS_cm: float = 0.005) -> Reference:
    """Purified water, taken as anything from nothing to its limit.

    Source: ISO 3696:1987, grade 3, at most 0.005 mS/cm at 25 °C.
    """
    return Reference(
        "purified-water", "purified water", ReferenceKind.PURIFIED_WATER, limit_mS_cm=limit_mS_cm
    )


def ice_point() -> Reference:
    """Crushed ice of purified water in purified water, 0 °C."""
    return Reference("ice-point", "the ice point", ReferenceKind.ICE)


ICE_CAUSE = rectangular("ice point", _ICE_LIMIT_C, "°C")
"""How far a slush of ice made with care may be from 0 °C; from memory of practice."""


def value_at(reference: Reference, temperature_C: float) -> Value:
    """Return the conductivity of a reference at its temperature.

    Args:
        reference: Any but the ice point.
        temperature_C: Of the solution, ITS-90, °C.

    Raises:
        calibration.curves.OutsideTable: The temperature is outside its table.
        ValueError: The ice point has no conductivity.
    """
    if reference.kind is ReferenceKind.AIR:
        cause = rectangular("film left in the cell", _AIR_LIMIT_MS_CM, "mS/cm")
        return Value(0.0, 0.0, (cause,), "an open circuit")
    if reference.kind is ReferenceKind.PURIFIED_WATER:
        half = reference.limit_mS_cm / 2.0
        return Value(half, 0.0, (rectangular("purity of the water", half, "mS/cm"),), "ISO 3696")
    if reference.kind is ReferenceKind.ICE:
        raise ValueError("the ice point tells a temperature and no conductivity")
    curve, causes, source = _solution(reference)
    value = curve(temperature_C)
    low, high = _within(curve, temperature_C - _STEP_C, temperature_C + _STEP_C, temperature_C)
    return Value(value, (curve(high) - curve(low)) / (high - low), causes(temperature_C), source)


def _within(
    curve: Callable[[float], float], low: float, high: float, middle: float
) -> tuple[float, float]:
    """Cut a step short where the table ends."""
    ends = []
    for end in (low, high):
        try:
            curve(end)
        except OutsideTable:
            ends.append(middle)
        else:
            ends.append(end)
    return ends[0], ends[1]


_Curve = Callable[[float], float]
_Causes = Callable[[float], tuple[Input, ...]]


def _solution(reference: Reference) -> tuple[_Curve, _Causes, str]:
    if reference.kind is ReferenceKind.SEAWATER:
        return _seawater(reference)
    if reference.kind is ReferenceKind.TABLE and reference.table is not None:
        return _own(reference, reference.table)
    return _published(reference)


def _published(reference: Reference) -> tuple[_Curve, _Causes, str]:
    known = PUBLISHED[reference.published]
    scale = 1.0
    if reference.label_mS_cm is not None:
        scale = reference.label_mS_cm / known.conductivity_mS_cm(reference.label_C)

    def curve(at: float) -> float:
        solvent = linear(SOLVENT, at) if reference.with_solvent else 0.0
        return scale * known.conductivity_mS_cm(at) + solvent

    def causes(at: float) -> tuple[Input, ...]:
        value = curve(at)
        inputs = [
            *_tolerance(reference.bottle, value),
            standard(f"published table of {known.key}", value * known.u_percent / 100.0, "mS/cm"),
        ]
        if reference.with_solvent:
            inputs.append(rectangular("carbon dioxide in it", linear(SOLVENT, at) / 2, "mS/cm"))
        return tuple(inputs)

    return curve, causes, known.source


def _own(reference: Reference, table: ValueTable) -> tuple[_Curve, _Causes, str]:
    def curve(at: float) -> float:
        return monotone(table, at)

    def causes(at: float) -> tuple[Input, ...]:
        # Two rows say nothing of the bend between them; what salt solutions do does.
        bend = max(abs(curve(at) - linear(table, at)), bend_limit(table, at))
        return (
            *_tolerance(reference.bottle, curve(at)),
            rectangular("between the rows of its table", bend, "mS/cm"),
        )

    certificate = reference.bottle.certificate if reference.bottle else ""
    return curve, causes, f"the bottle's own table {certificate}".strip()


def _seawater(reference: Reference) -> tuple[_Curve, _Causes, str]:
    table = ValueTable("seawater", (_SEAWATER_LOW_C, _SEAWATER_HIGH_C), (1.0, 1.0))

    def curve(at: float) -> float:
        table.check(at)
        return float(gsw.C_from_SP(reference.salinity, at, 0.0))

    def causes(at: float) -> tuple[Input, ...]:
        value = curve(at)
        step = 0.01
        per_salinity = (float(gsw.C_from_SP(reference.salinity + step, at, 0.0)) - value) / step
        return (
            *_tolerance(reference.bottle, value),
            standard("salinity stated", reference.salinity_u * per_salinity, "mS/cm"),
            standard("PSS-78", value * _SEAWATER_ABSOLUTE_PERCENT / 100.0, "mS/cm"),
        )

    return curve, causes, "PSS-78, UNESCO 44 (1983), with C(35, 15, 0) = 42.914 mS/cm"


def _tolerance(bottle: ReferenceSolution | None, value_mS_cm: float) -> tuple[Input, ...]:
    if bottle is None:
        return ()
    name = f"value of lot {bottle.lot}"
    width = value_mS_cm * bottle.tolerance_percent / 100.0
    if bottle.tolerance is Tolerance.COVERAGE_2:
        return (expanded(name, width, "mS/cm"),)
    return (rectangular(name, width, "mS/cm"),)


def _keyed(key: str, bottle: ReferenceSolution | None) -> str:
    return key if bottle is None else f"{key}/{bottle.lot}"
