"""References for a calibration, as a person writes them: a line of words for each.

    air; kcl-12-88 lot=Q-12 tolerance=0.5 expiry=2027-01-31; seawater salinity=35 lot=S tolerance=1

Semicolons separate the references, in the order in which they are measured; a value with a
blank goes into quotes.
"""

from __future__ import annotations

import math
import shlex
from datetime import date
from typing import TYPE_CHECKING

from calibration import references
from calibration.references import Reference
from calibration.solution import ReferenceSolution, Tolerance
from calibration.tables import PUBLISHED
from daemon.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST = 6
"""More points than any calibration needs."""
MOST_TOLERANCE_PERCENT = 10.0
"""Above any reference solution's, so that a slip is refused; our own choice."""

SOLUTION_WORDS = ("lot", "tolerance", "means", "expiry", "opened", "keeps", "certificate")
WORDS_OF: dict[str, tuple[str, ...]] = {
    "air": (),
    "purified-water": ("limit",),
    "ice": (),
    "seawater": ("salinity", *SOLUTION_WORDS),
    "table": ("name", "values", *SOLUTION_WORDS),
    **dict.fromkeys(PUBLISHED, ("label", *SOLUTION_WORDS)),
}
"""Words that each kind of reference takes."""


class BadReference(InputError):  # noqa: N818 - its name says what is the matter
    """A reference cannot be understood; the text says what is wrong and how to write it."""


def parse(text: str) -> tuple[Reference, ...]:
    """Return the references that a text names, in its order.

    Raises:
        BadBottle: It names none, or one cannot be understood.
    """
    try:
        words = shlex.split(text.replace(";", " ; "))
    except ValueError as exc:
        raise BadReference(f"the references end within quotes: {text[-40:]!r}") from exc
    groups: list[list[str]] = [[]]
    for word in words:
        if word == ";":
            groups.append([])
        else:
            groups[-1].append(word)
    parsed = tuple(_one(group) for group in groups if group)
    if not 1 <= len(parsed) <= MOST:
        raise BadReference(
            f"1 to {MOST} references are wanted, separated by semicolons, such as"
            " 'air; kcl-12-88 lot=Q-12 tolerance=0.5 expiry=2027-01-31'"
        )
    return parsed


def _one(words: list[str]) -> Reference:
    kind, values = words[0], _values(words[0], words[1:])
    try:
        return _build(kind, values)
    except BadReference:
        raise
    except ValueError as exc:
        raise BadReference(f"reference {kind}: {exc}") from exc


def _values(kind: str, words: list[str]) -> dict[str, str]:
    if kind not in WORDS_OF:
        raise BadReference(f"there is no reference {kind[:40]!r}; known are {', '.join(WORDS_OF)}")
    values: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or name not in WORDS_OF[kind] or not value:
            can = ", ".join(f"{each}=..." for each in WORDS_OF[kind]) or "nothing more"
            raise BadReference(f"reference {kind}: {word[:40]!r} is not understood; it takes {can}")
        if name in values:
            raise BadReference(f"reference {kind}: {name} is given twice; leave one of them out")
        values[name] = value
    return values


def _build(kind: str, values: Mapping[str, str]) -> Reference:
    if kind == "air":
        return references.air()
    if kind == "ice":
        return references.ice_point()
    if kind == "purified-water":
        return references.purified_water(_number(values, "limit", 0.005))
    if kind == "seawater":
        return references.seawater(
            _required(kind, values, "salinity"), bottle=_solution(kind, values)
        )
    if kind == "table":
        name = values.get("name", "the bottle's own table")
        return references.own_table(name, _rows(values.get("values", "")), _solution(kind, values))
    label = _required(kind, values, "label") if "label" in values else None
    return references.published(kind, _solution(kind, values), label_mS_cm=label)


def _solution(kind: str, values: Mapping[str, str]) -> ReferenceSolution:
    if "lot" not in values:
        raise BadReference(
            f"reference {kind}: its lot is wanted, as printed on the bottle: lot=..."
        )
    means = values.get("means", "limits")
    if means not in ("limits", "k2"):
        raise BadReference(f"reference {kind}: means={means[:20]} is neither limits nor k2")
    solution = ReferenceSolution(
        values["lot"],
        _tolerance(kind, values),
        Tolerance.COVERAGE_2 if means == "k2" else Tolerance.LIMITS,
        values.get("expiry", ""),
        values.get("opened", ""),
        _keeps(kind, values),
        values.get("certificate", ""),
    )
    if solution.expiry and solution.opened_on:
        opened, expiry = map(date.fromisoformat, (solution.opened_on, solution.expiry))
        if expiry < opened:
            raise BadReference(
                f"reference {kind}: lot {solution.lot} was opened on {opened}, after its expiry on"
                f" {expiry}; correct the date, or use a bottle that has not expired"
            )
    return solution


def _tolerance(kind: str, values: Mapping[str, str]) -> float:
    percent = _required(kind, values, "tolerance")
    if percent > MOST_TOLERANCE_PERCENT:
        raise BadReference(
            f"reference {kind}: tolerance={percent:g} is above {MOST_TOLERANCE_PERCENT:g} %;"
            f" {percent / 100.0:g} may be meant, as it is the figure after the ± in % of the value"
        )
    return percent


def _keeps(kind: str, values: Mapping[str, str]) -> int | None:
    if "keeps" not in values:
        return None
    days = _required(kind, values, "keeps")
    if days != int(days):
        raise BadReference(f"reference {kind}: keeps={days:g} is no whole number of days")
    if "opened" not in values:
        raise BadReference(
            f"reference {kind}: keeps={days:g} counts from the day of opening: opened=... is"
            " needed too"
        )
    return int(days)


def _required(kind: str, values: Mapping[str, str], name: str) -> float:
    if name not in values:
        unit = {"tolerance": ", the figure after the ± on its label, in % of the value"}
        raise BadReference(f"reference {kind}: {name}=... is wanted{unit.get(name, '')}")
    return _number(values, name, 0.0)


def _number(values: Mapping[str, str], name: str, otherwise: float) -> float:
    text = values.get(name)
    if text is None:
        return otherwise
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 < value < 1e6:  # noqa: PLR2004 - larger than any figure on a bottle
        raise BadReference(f"{name}={text[:40]} is no number above 0")
    return value


def _rows(text: str) -> dict[float, float]:
    """Return mS/cm by °C of a text such as 20:48.2,25:53.0."""
    rows: dict[float, float] = {}
    for pair in text.split(","):
        warmth, _, value = pair.partition(":")
        try:
            temperature_C, conductivity = float(warmth), float(value)
        except ValueError as exc:
            raise BadReference(
                "reference table: values are °C:mS/cm, two or more, such as values=20:48.2,25:53.0"
            ) from exc
        if temperature_C in rows:
            raise BadReference(
                f"reference table: {temperature_C:g} °C is there twice; leave one of them out"
            )
        rows[temperature_C] = conductivity
    if not all(math.isfinite(each) for row in rows.items() for each in row):
        raise BadReference("reference table: a value is not a number")
    return rows
