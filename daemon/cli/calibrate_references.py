"""Prompts at the terminal for the reference solutions at hand, until each can be read."""

from __future__ import annotations

import shlex

from calibration.tables import PUBLISHED
from daemon.cli.output import print_text, table
from daemon.mixing.probe.reference_solutions import BadReference, parse
from daemon.printable import printable

SEAWATER, TABLE = "seawater", "table"


def ask_for_references() -> list[str]:
    """Return the references that the person names, in the order in which to measure them."""
    kinds = [*PUBLISHED, SEAWATER, TABLE]
    names = {key: each.name for key, each in PUBLISHED.items()} | {
        SEAWATER: "seawater of stated practical salinity",
        TABLE: "any other bottle with a table of °C against mS/cm on it",
    }
    print_text(table([(str(n), names[key]) for n, key in enumerate(kinds, start=1)]))
    without = _says_no("Measure the dry cell in air first, for the zero? [Y/n] ")
    references = [] if without else ["air"]
    while True:
        references.append(_bottle(kinds))
        if not _says_yes("Another bottle? [y/N] "):
            return references


def ask_for_thermometer() -> tuple[str | None, float | None]:
    """Return name and tolerance, °C, of a reference thermometer; None for both without one."""
    name = input("Reference thermometer, name and number (Enter for none): ").strip()
    if not name:
        return None, None
    while True:
        try:
            return name, float(input("The ± on it, °C: ").strip().replace(",", "."))
        except ValueError:
            print_text("That is no number.")


def _bottle(kinds: list[str]) -> str:
    while True:
        typed = input(f"Which reference solution of the list, 1 to {len(kinds)}: ").strip()
        if not (typed.isdigit() and 1 <= int(typed) <= len(kinds)):
            print_text(f"1 to {len(kinds)}, please.")
            continue
        kind = kinds[int(typed) - 1]
        words = [kind, *_of_kind(kind)]
        words += _word("lot", "Lot, as printed on it: ")
        words += _word("tolerance", "The ± on its label, % of the value: ")
        words += _word("expiry", "Expiry, year-month-day (Enter where none is printed): ")
        text = " ".join(words)
        try:
            parse(text)
        except BadReference as exc:
            print_text(printable(f"{exc}. Once more:"))
            continue
        return text


def _of_kind(kind: str) -> list[str]:
    if kind == SEAWATER:
        return _word("salinity", "Its practical salinity: ")
    if kind == TABLE:
        name = _word("name", "Name of the solution: ")
        return name + _word("values", "Its table as °C:mS/cm, such as 20:48.2,25:53.0: ")
    return []


def _word(name: str, question: str) -> list[str]:
    typed = input(question).strip().replace(";", ",")
    return [f"{name}={shlex.quote(typed)}"] if typed else []


def _says_no(question: str) -> bool:
    return input(question).strip().lower().startswith("n")


def _says_yes(question: str) -> bool:
    return input(question).strip().lower().startswith("y")
