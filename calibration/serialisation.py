"""Records as JSON and back; apart from the records, so that those stay plain."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from calibration import plain_data
from calibration.plain_data import MisfitError, from_plain
from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion, Settlement

KINDS = {
    "calibration": CalibrationRecord,
    "check": CheckRecord,
    "reversion": Reversion,
    "settlement": Settlement,
}


def to_json(record: Record) -> str:
    """Write a record down, on one line."""
    return plain_data.to_json(record)


def from_json(text: str) -> Record:
    """Read a record back.

    Raises:
        ValueError: The text is no record.
    """
    return record_of(json.loads(text))


def record_of(plain: Any) -> Record:  # noqa: ANN401 - whatever JSON had in its place
    """Read a record back from what its JSON holds.

    Raises:
        ValueError: As `from_json`.
    """
    named = plain.get("kind") if isinstance(plain, Mapping) else None
    if not isinstance(named, str) or named not in KINDS:
        raise MisfitError(f"{str(named)[:40]!r} is no kind of record")
    record: Record = from_plain(KINDS[named], dict(plain))
    return record
