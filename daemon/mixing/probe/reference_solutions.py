"""What a probe is to be held against, as a person writes it: a line of words for each reference.

    air; kcl-12-88 lot=Q-12 tolerance=0.5 expiry=2027-01-31; seawater salinity=35 lot=S tolerance=1

References stand apart by semicolons, in the order in which they are measured;
what holds a blank goes into quotes.
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
"""More points than any calibration takes."""
MOST_TOLERANCE_PERCENT = 10.0
"""Above any reference solution's, so that a slip is seen; our own choice."""

SOLUTION_WORDS = ("lot", "tolerance", "means", "expiry", "opened", "keeps", "certificate")
WORDS_OF: dict[str, tuple[str, ...]] = {
    "air": (),
    "purified-water": ("limit",),
    "ice": (),
    "seawater": ("salinity", *SOLUTION_WORDS),
    "table": ("name", "values", *SOLUTION_WORDS),
    **dict.fromkeys(PUBLISHED, ("label", *SOLUTION_WORDS)),
}
"""What may be said of each reference."""


class BadReference(InputError):  # noqa: N818 - named for what is so, and read as a sentence
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
    found = tuple(_one(group) for group in groups if group)
    if not 1 <= len(found) <= MOST:
        raise BadReference(
            f"1 to {MOST} references are wanted, separated by semicolons, such as"
            " 'air; kcl-12-88 lot=Q-12 tolerance=0.5 expiry=2027-01-31'"
        )
    return found


def _one(words: list[str]) -> Reference:
    kind, told = words[0], _told(words[0], words[1:])
    try:
        return _build(kind, told)
    except BadReference:
        raise
    except ValueError as exc:
        raise BadReference(f"reference {kind}: {exc}") from exc


def _told(kind: str, words: list[str]) -> dict[str, str]:
    if kind not in WORDS_OF:
        raise BadReference(f"there is no reference {kind[:40]!r}; known are {', '.join(WORDS_OF)}")
    told: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or name not in WORDS_OF[kind] or not value:
            can = ", ".join(f"{each}=..." for each in WORDS_OF[kind]) or "nothing more"
            raise BadReference(f"reference {kind}: {word[:40]!r} is not understood; it takes {can}")
        if name in told:
            raise BadReference(f"reference {kind}: {name} is given twice; leave one of them out")
        told[name] = value
    return told


def _build(kind: str, told: Mapping[str, str]) -> Reference:
    if kind == "air":
        return references.air()
    if kind == "ice":
        return references.ice_point()
    if kind == "purified-water":
        return references.purified_water(_number(told, "limit", 0.005))
    if kind == "seawater":
        return references.seawater(_wanted(kind, told, "salinity"), bottle=_bottle(kind, told))
    if kind == "table":
        name = told.get("name", "the bottle's own table")
        return references.own_table(name, _rows(told.get("values", "")), _bottle(kind, told))
    label = _wanted(kind, told, "label") if "label" in told else None
    return references.published(kind, _bottle(kind, told), label_mS_cm=label)


def _bottle(kind: str, told: Mapping[str, str]) -> ReferenceSolution:
    if "lot" not in told:
        raise BadReference(
            f"reference {kind}: its lot is wanted, as printed on the bottle: lot=..."
        )
    means = told.get("means", "limits")
    if means not in ("limits", "k2"):
        raise BadReference(f"reference {kind}: means={means[:20]} is neither limits nor k2")
    found = ReferenceSolution(
        told["lot"],
        _tolerance(kind, told),
        Tolerance.COVERAGE_2 if means == "k2" else Tolerance.LIMITS,
        told.get("expiry", ""),
        told.get("opened", ""),
        _keeps(kind, told),
        told.get("certificate", ""),
    )
    if found.expiry and found.opened_on:
        opened, expiry = map(date.fromisoformat, (found.opened_on, found.expiry))
        if expiry < opened:
            raise BadReference(
                f"reference {kind}: lot {found.lot} was opened on {opened}, after its expiry on"
                f" {expiry}; correct the date, or use a bottle that has not expired"
            )
    return found


def _tolerance(kind: str, told: Mapping[str, str]) -> float:
    percent = _wanted(kind, told, "tolerance")
    if percent > MOST_TOLERANCE_PERCENT:
        raise BadReference(
            f"reference {kind}: tolerance={percent:g} is above {MOST_TOLERANCE_PERCENT:g} %;"
            f" {percent / 100.0:g} may be meant, as it is the figure after the ± in % of the value"
        )
    return percent


def _keeps(kind: str, told: Mapping[str, str]) -> int | None:
    if "keeps" not in told:
        return None
    days = _wanted(kind, told, "keeps")
    if days != int(days):
        raise BadReference(f"reference {kind}: keeps={days:g} is no whole number of days")
    if "opened" not in told:
        raise BadReference(
            f"reference {kind}: keeps={days:g} counts from the day of opening: opened=... is"
            " needed too"
        )
    return int(days)


def _wanted(kind: str, told: Mapping[str, str], name: str) -> float:
    if name not in told:
        unit = {"tolerance": ", the figure after the ± on its label, in % of the value"}
        raise BadReference(f"reference {kind}: {name}=... is wanted{unit.get(name, '')}")
    return _number(told, name, 0.0)


def _number(told: Mapping[str, str], name: str, otherwise: float) -> float:
    text = told.get(name)
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
            at, shown = float(warmth), float(value)
        except ValueError as exc:
            raise BadReference(
                "reference table: values are °C:mS/cm, two or more, such as values=20:48.2,25:53.0"
            ) from exc
        if at in rows:
            raise BadReference(f"reference table: {at:g} °C is there twice; leave one of them out")
        rows[at] = shown
    if not all(math.isfinite(each) for row in rows.items() for each in row):
        raise BadReference("reference table: a value is not a number")
    return rows
