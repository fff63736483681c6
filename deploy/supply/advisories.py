"""Known vulnerabilities, from a database of advisories that is given: a zip or a folder.

One JSON file an advisory, as OSV exports them for a whole ecosystem.  Nothing is fetched.  What
cannot be judged (a file that is no advisory, a version that no rule covers) is said, and never
counts as harmless.

Source: Open Source Vulnerability format 1.6, "evaluation"; PEP 440 for versions.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

ECOSYSTEM = "PyPI"
LONGEST_SUMMARY = 120
"""Characters of the details that stand for a summary: our choice, for one line of a terminal."""
LARGEST_ENTRY_BYTES = 8_000_000
"""Of one advisory, unpacked; the largest that is usual has a few hundred thousand: our choice."""


class DatabaseError(Exception):
    """The database cannot be used, so nothing was checked; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Match:
    """An advisory that concerns a package in the version that is pinned.

    Attributes:
        package: Its canonical name.
        version: Pinned.
        advisory: Its identifier.
        summary: What it is about; may be empty.
        aliases: What other databases call it, such as a CVE number.
        severity: As the advisory states it; empty where it states none.
        fixed: Versions that mend it; empty where none is named.
        certain: Whether the version is affected; else nobody can tell from what it says.
    """

    package: str
    version: str
    advisory: str
    summary: str
    aliases: tuple[str, ...]
    severity: str
    fixed: tuple[str, ...]
    certain: bool


@dataclass(slots=True)
class Result:
    """What a database says of some packages.

    Attributes:
        advisories: How many it holds for the ecosystem.
        newest: When the newest of them was changed, ISO 8601.
        unreadable: Files in it that are no advisory.
        matches: What concerns the packages.
    """

    advisories: int = 0
    newest: str = ""
    unreadable: list[str] = field(default_factory=list)
    matches: list[Match] = field(default_factory=list)


def check(database: Path, pinned: Mapping[str, str]) -> Result:
    """Look every package up in a database.

    Args:
        database: Zip or folder of advisories.
        pinned: Version by canonical name.

    Raises:
        DatabaseError: It is not there, cannot be read, or holds no advisory of the ecosystem.
    """
    result = Result()
    for name, text in _entries(database):
        try:
            _take(json.loads(text), pinned, result)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            result.unreadable.append(name)
    if not result.advisories:
        raise DatabaseError(f"{database} holds no advisory of the ecosystem {ECOSYSTEM}")
    result.matches = list(_each_once(result.matches))
    return result


def _each_once(matches: Sequence[Match]) -> Iterator[Match]:
    """Yield what several databases describe once, by the advisory that is certain or says most."""
    taken: set[tuple[str, str]] = set()
    for each in sorted(matches, key=lambda one: (one.package, not one.certain, not one.severity)):
        names = {(each.package, name) for name in (each.advisory, *each.aliases)}
        if not names & taken:
            yield each
        taken |= names


def _entries(database: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of each JSON file; an empty one for what is too large to be read."""
    try:
        if database.is_dir():
            for path in sorted(database.rglob("*.json")):
                small = path.stat().st_size <= LARGEST_ENTRY_BYTES
                yield path.name, path.read_bytes() if small else b""
            return
        with zipfile.ZipFile(database) as packed:
            for entry in packed.infolist():
                if entry.filename.endswith(".json"):
                    small = entry.file_size <= LARGEST_ENTRY_BYTES
                    yield entry.filename, packed.read(entry) if small else b""
    except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as exc:
        raise DatabaseError(f"{database} cannot be read: {exc}") from exc


def _take(advisory: dict[str, Any], pinned: Mapping[str, str], result: Result) -> None:
    identifier = str(advisory["id"])
    changed = datetime.fromisoformat(advisory["modified"]).isoformat()
    ours = [one for one in advisory["affected"] if _package(one)[0] == ECOSYSTEM]
    matches = [] if advisory.get("withdrawn") else list(_matches(advisory, ours, pinned))
    # Counted once it was read whole: what failed half-way is unreadable, and says nothing.
    result.advisories += bool(ours)
    result.newest = max(result.newest, changed) if ours else result.newest
    strongest = {(each.package, identifier): each for each in sorted(matches, key=_certainty)}
    result.matches += strongest.values()


def _certainty(match: Match) -> bool:
    return match.certain


def _package(affected: dict[str, Any]) -> tuple[str, str]:
    """Return ecosystem and canonical name; the one of a commit range alone has neither."""
    package = affected.get("package") or {}
    return package.get("ecosystem", ""), canonicalize_name(package.get("name", ""))


def _matches(
    advisory: dict[str, Any], affected: Sequence[dict[str, Any]], pinned: Mapping[str, str]
) -> Iterator[Match]:
    for each in affected:
        name = _package(each)[1]
        if name not in pinned:
            continue
        concerned = _concerned(each, Version(pinned[name]))
        if concerned is not False:
            yield Match(
                package=name,
                version=pinned[name],
                advisory=str(advisory["id"]),
                summary=_summary(advisory),
                aliases=tuple(map(str, advisory.get("aliases") or [])),
                severity=_severity(each, advisory),
                fixed=_fixed(each),
                certain=bool(concerned),
            )


def _summary(advisory: dict[str, Any]) -> str:
    """Return what an advisory is about; where it has no summary, how its details begin."""
    summary = str(advisory.get("summary") or "")
    first, _, more = str(advisory.get("details") or "").strip().partition("\n")
    cut = len(first) > LONGEST_SUMMARY or bool(more.strip())
    return summary or first[:LONGEST_SUMMARY].rstrip() + (" ..." if cut else "")


def _severity(affected: dict[str, Any], advisory: dict[str, Any]) -> str:
    """Return the word of the database that it is from, else a vector of CVSS, else nothing."""
    word = (advisory.get("database_specific") or {}).get("severity")
    vectors = affected.get("severity") or advisory.get("severity") or []
    # The last is of the newest form.
    return str(word) if word else str(vectors[-1]["score"]) if vectors else ""


def _concerned(affected: dict[str, Any], version: Version) -> bool | None:
    """Return whether a version is affected; None where nothing that it says tells."""
    listed = affected.get("versions") or []
    if any(_version(one) == version for one in listed):
        return True
    answers = [_within(one["events"], version) for one in _ranges(affected)]
    if True in answers:
        return True
    return None if None in answers or not (listed or answers) else False


def _ranges(affected: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the ranges of versions; those of commits tell nothing of a version."""
    ranges = affected.get("ranges") or []
    return [one for one in ranges if one["type"] in ("ECOSYSTEM", "SEMVER")]


def _within(events: Sequence[dict[str, str]], version: Version) -> bool | None:
    """Return whether the events of a range put a version inside it; None where they do not tell."""
    steps = []
    for event in events:
        ((kind, text),) = event.items()
        if kind == "limit":
            continue
        at = Version("0.dev0") if text == "0" else _version(text)
        if at is None or kind not in ("introduced", "fixed", "last_affected"):
            return None
        steps.append((at, kind))
    inside = False
    for at, kind in sorted(steps):
        if kind == "introduced" and version >= at:
            inside = True
        elif (kind == "fixed" and version >= at) or (kind == "last_affected" and version > at):
            inside = False
    return inside


def _fixed(affected: dict[str, Any]) -> tuple[str, ...]:
    events = [event for one in _ranges(affected) for event in one["events"]]
    fixed = {event["fixed"] for event in events if _version(event.get("fixed"))}
    return tuple(sorted(fixed, key=Version))


def _version(text: str | None) -> Version | None:
    try:
        return Version(text or "")
    except InvalidVersion:
        return None
