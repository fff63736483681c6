"""What licence a package states, as an SPDX expression, and whether that is allowed.

Source: core metadata 2.4 (PEP 639); the SPDX list as the library `packaging` has it.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from importlib.metadata import PackageMetadata
from pathlib import Path

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression
from packaging.utils import canonicalize_name

TABLE = Path(__file__).with_name("licences.toml")
LONGEST_STATEMENT = 60
"""Characters; the field `License` may hold the whole text of one, which states no name of it."""
_CLASSIFIER = re.compile(r"License :: (?:OSI Approved :: )?(.+)")
_SAYS_NOTHING = {"OSI Approved", "DFSG approved"}
_ID = re.compile(r"[A-Za-z0-9.+-]+")


@dataclass(frozen=True, slots=True)
class Reading:
    """How one package's unclear statement is to be read.

    Attributes:
        says: The statement that this is for.
        means: SPDX expression.
        by: Where that is written.
    """

    says: str
    means: str
    by: str


@dataclass(frozen=True, slots=True)
class Rules:
    """What is allowed, and how statements are read.

    Attributes:
        allowed: SPDX identifiers, each with the reason.
        words: Statements that mean one licence, with its identifier.
        packages: Readings by the canonical name of the package.
    """

    allowed: dict[str, str]
    words: dict[str, str]
    packages: dict[str, Reading]


def rules(path: Path = TABLE) -> Rules:
    """Read the table of what is allowed."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    named: dict[str, dict[str, str]] = table["packages"]
    packages = {str(canonicalize_name(name)): Reading(**one) for name, one in named.items()}
    return Rules(table["allowed"], table["words"], packages)


def statement(metadata: PackageMetadata) -> str:
    """Return what a package says about its licence, in its own words; empty for nothing."""
    for field in ("License-Expression", "License"):
        text = metadata[field].strip() if field in metadata else ""
        if text and text != "UNKNOWN" and len(text) <= LONGEST_STATEMENT and "\n" not in text:
            return text
    found = map(_CLASSIFIER.fullmatch, metadata.get_all("Classifier") or [])
    named = sorted({match[1] for match in found if match} - _SAYS_NOTHING)
    return "; ".join(named)


def expression(name: str, says: str, rules: Rules) -> str:
    """Return the SPDX expression that a statement means; empty where that is not clear.

    Args:
        name: Of the package.
        says: Its statement.
        rules: How statements are read.
    """
    reading = rules.packages.get(canonicalize_name(name))
    if reading is not None:
        return reading.means if reading.says == says else ""
    if says in rules.words:
        return rules.words[says]
    try:
        return str(canonicalize_license_expression(says))
    except InvalidLicenseExpression:
        return ""


def fault(name: str, says: str, rules: Rules) -> str:
    """Return why a package may not be installed, as a sentence; empty if it may."""
    means = expression(name, says, rules)
    if not means:
        stated = f"says {says!r}" if says else "states no licence"
        return f"{name} {stated}: find out what it means, then write it into {TABLE.name}"
    identifiers = set(_ID.findall(means)) - {"AND", "OR", "WITH"}
    refused = sorted(identifiers - rules.allowed.keys())
    return f"{name} is under {means}; not allowed: {', '.join(refused)}" if refused else ""
