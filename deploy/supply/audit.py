"""What `deploy/audit` says: which packages are here, their licences, and what is known of them."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from importlib.metadata import Distribution
from pathlib import Path

from deploy.supply.advisories import DatabaseError, Match, check
from deploy.supply.licences import Rules, expression, fault, rules, statement
from deploy.supply.locked import ROOT, installed

BILL = ROOT / "deploy/bill-of-materials.json"
OLDEST = timedelta(days=45)
"""Of a database's newest advisory: one comes every day, so an older export is out of date."""
GOOD, BAD, UNKNOWN = 0, 1, 69


def billed(bill: Path) -> dict[str, str]:
    """Return version by name of every package that a bill of materials lists."""
    components = json.loads(bill.read_text(encoding="utf-8"))["components"]
    return {each["name"]: each["version"] for each in components}


def differences(wanted: Mapping[str, str], present: Mapping[str, str]) -> list[str]:
    """Return where an environment differs from the bill, one sentence each."""
    found = []
    for name, version in sorted(wanted.items()):
        other = present.get(name)
        if other is None:
            found.append(f"{name} {version} is in the bill and not installed")
        elif other != version:
            found.append(f"{name} is installed as {other}; the bill has {version}")
    return found


def licences(
    packages: Mapping[str, Distribution], rules: Rules
) -> tuple[dict[str, str], list[str]]:
    """Return the licence of each package by name, and why some may not be installed."""
    says = {name: statement(package.metadata) for name, package in packages.items()}
    stated = {name: expression(name, words, rules) for name, words in says.items()}
    faults = [fault(name, words, rules) for name, words in says.items()]
    return stated, [each for each in faults if each]


def sentence(match: Match) -> str:
    """Return what a match means, in one sentence."""
    how = "is affected by" if match.certain else "may be affected by (it does not say which)"
    mended = f"; mended in {', '.join(match.fixed)}" if match.fixed else ""
    about = f": {match.summary}" if match.summary else ""
    names = f" ({', '.join(match.aliases)})" if match.aliases else ""
    severity = f", severity {match.severity}" if match.severity else ""
    return f"{match.package} {match.version} {how} {match.advisory}{names}{severity}{about}{mended}"


def vulnerabilities(database: Path | None, pinned: Mapping[str, str], now: datetime) -> int:
    """Say what is known of vulnerabilities; return whether that is good, bad or unknown."""
    if database is None:
        _say("known vulnerabilities: not checked; --database FILE takes an export of advisories")
        return UNKNOWN
    try:
        result = check(database, pinned)
    except DatabaseError as exc:
        _say(f"known vulnerabilities: not checked; {exc}")
        return UNKNOWN
    when = datetime.fromisoformat(result.newest)
    age = now - (when if when.tzinfo else when.replace(tzinfo=UTC))
    _say(
        f"known vulnerabilities: {len(result.matches)} in {len(pinned)} packages, by "
        f"{result.advisories} advisories, the newest of {when:%Y-%m-%d}"
    )
    _list(map(sentence, result.matches))
    if result.matches:
        return BAD
    if result.unreadable:
        _say(f"  not all checked: {len(result.unreadable)} files are no advisory, such as")
        _list(sorted(result.unreadable)[:3])
        return UNKNOWN
    if age > OLDEST:
        _say(f"  out of date: what was found in the last {age.days} days is not in it")
        return UNKNOWN
    return GOOD


def _say(text: str) -> None:
    """Print a line; a sign from outside that a terminal would obey shows as a question mark."""
    shown = "".join(each if each.isprintable() else "?" for each in text)
    sys.stdout.write(f"{shown}\n")


def _list(lines: Iterable[str]) -> None:
    for line in lines:
        _say(f"  {line}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Audit this interpreter's environment; return 0 good, 1 bad, 69 not all is known."""
    parser = argparse.ArgumentParser(
        prog="deploy/audit", description="Packages, licences and known vulnerabilities."
    )
    parser.add_argument("--bill", type=Path, default=BILL, help="[deploy/bill-of-materials.json]")
    parser.add_argument(
        "--database", type=Path, help="OSV advisories: the export of one ecosystem, or a folder"
    )
    asked = parser.parse_args(arguments)
    wanted = billed(asked.bill)
    present = {name: one for name, one in installed().items() if name in wanted}
    different = differences(wanted, {name: one.version for name, one in present.items()})
    _say(f"packages: {len(wanted) - len(different)} of {len(wanted)} as in the bill of materials")
    _list(different)
    stated, refused = licences(present, rules())
    _say(f"licences: {len(stated) - len(refused)} of {len(wanted)} allowed")
    _list(f"{name} {wanted[name]}: {means or 'unclear'}" for name, means in sorted(stated.items()))
    _list(refused)
    known = vulnerabilities(asked.database, wanted, datetime.now(UTC))
    return BAD if different or refused else known


if __name__ == "__main__":
    sys.exit(main())
