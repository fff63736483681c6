"""Tells what is in a journal, with the reader of whatever version runs it.

    PYTHONPATH=OLD_CHECKOUT python tests/old_journals/contents.py journal.db

Prints one JSON object.  It leans on nothing but that version's `Reader` and the shapes of its
entries, so that what it tells of an old journal is the old version's word and not ours.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from importlib import import_module
from pathlib import Path
from typing import Any

from daemon.entries import Event, Reading
from daemon.journal.reader import Reader

MOST = 1_000_000


def plain(value: Any, names: Mapping[str, Sequence[str]]) -> Any:  # noqa: ANN401 - any JSON
    """Return an entry, or a part of it, as JSON has it.

    Args:
        value: The entry or the part.
        names: Fields that count, by the name of their class.
    """
    if is_dataclass(value):
        kind = type(value).__name__
        return {name: plain(part_of(value, name), names) for name in names[kind]}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(each, names) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each, names) for each in value]
    return value


def fields_of(entries: Iterable[Any]) -> dict[str, list[str]]:
    """Return the fields of entries and their moments, by the name of the class."""
    found: dict[str, list[str]] = {}
    for entry in entries:
        for each in (entry, entry.at):
            found.setdefault(type(each).__name__, [*parts_of(each)])
    return found


def parts_of(entry: Any) -> Iterable[str]:  # noqa: ANN401 - an entry of any version
    """Return the names of what an entry consists of; events have had a body for a while."""
    for one in fields(entry):
        yield from ("kind", "facts") if one.name == "body" else (one.name,)


def part_of(entry: Any, name: str) -> Any:  # noqa: ANN401 - an entry of any version
    """Return one part of an entry."""
    if name == "facts" and not hasattr(entry, name):
        return import_module("daemon.journal.event_codec").facts_of(entry.body)
    return getattr(entry, name)


def lines(stored: Iterable[Any], names: Mapping[str, Sequence[str]]) -> list[str]:
    """Return each entry with its number as a line of JSON that says every value exactly."""
    return [
        json.dumps([each.seq, plain(each.entry, names)], sort_keys=True, allow_nan=False)
        for each in stored
    ]


def contents(journal: Path) -> dict[str, Any]:
    """Return what is in a journal."""
    stored = Reader(journal).after(0, MOST)
    names = fields_of(each.entry for each in stored)
    said = lines(stored, names)
    readings = [each for each in stored if isinstance(each.entry, Reading)]
    events = [each.entry for each in stored if isinstance(each.entry, Event)]
    return {
        "fields": names,
        "entries": len(stored),
        "readings": len(readings),
        "kinds": dict(sorted(Counter(str(each.kind) for each in events).items())),
        "phases": [
            [each.at.wall.isoformat(), each.batch, part_of(each, "facts")["to"]]
            for each in events
            if str(each.kind) == "phase"
        ],
        "last_seq": stored[-1].seq,
        "first": json.loads(said[0]),
        "a_reading": json.loads(lines([readings[len(readings) // 2]], names)[0]),
        "last": json.loads(said[-1]),
        "sha256": hashlib.sha256("\n".join(said).encode()).hexdigest(),
    }


if __name__ == "__main__":
    json.dump(contents(Path(sys.argv[1])), sys.stdout, indent=1, sort_keys=True)
    sys.stdout.write("\n")
