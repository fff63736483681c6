"""Records as JSON and back; apart from the records, so that those need no library to be plain."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any

from pydantic import Field, TypeAdapter

from calibration.record import Record


def to_json(record: Record) -> str:
    """Write a record down, on one line."""
    return _adapter().dump_json(record).decode()


def from_json(text: str) -> Record:
    """Read a record back.

    Raises:
        pydantic.ValidationError: The text is no record; it is a ValueError too.
    """
    return _adapter().validate_json(text)


def from_plain(plain: Any) -> Record:  # noqa: ANN401 - whatever JSON had in its place
    """Read a record back from what its JSON holds.

    Raises:
        pydantic.ValidationError: As `from_json`.
    """
    return _adapter().validate_python(plain)


@cache
def _adapter() -> TypeAdapter[Record]:
    return TypeAdapter(Annotated[Record, Field(discriminator="kind")])
