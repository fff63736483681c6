"""Building blocks of the configuration models.

Every field says in words what it allows, made from the same limits that check
it, so that the two cannot drift apart.
"""

# ruff: noqa: ANN401 - a declaration gives what pydantic.Field gives, which is Any

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import PydanticUndefined

LONGEST_LABEL = 60
NAME_PATTERN = "^[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?$"


class Section(BaseModel):
    """A table of the file: frozen, no unknown keys, no silent conversions."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        # The whole configuration has all that is needed of its tables.
        defer_build=True,
    )


def number(low: float, high: float, unit: str, default: Any = PydanticUndefined) -> Any:
    """Declare a number from `low` to `high`, both included, in `unit`."""
    allowed = f"a number from {low:g} to {high:g} {unit}".rstrip()
    return Field(default, ge=low, le=high, description=allowed)


def whole(low: int, high: int, unit: str, default: Any = PydanticUndefined) -> Any:
    """Declare a whole number from `low` to `high`, both included, in `unit`."""
    allowed = f"a whole number from {low} to {high} {unit}".rstrip()
    return Field(default, ge=low, le=high, description=allowed)


def one_of(*choices: object, default: Any = PydanticUndefined) -> Any:
    """Declare a choice; the type annotation checks it, this puts it in words."""
    allowed = "one of " + ", ".join(repr(choice) for choice in choices)
    return Field(default, description=allowed)


def text(allowed: str, default: Any = PydanticUndefined, longest: int = 200) -> Any:
    """Declare a text that is not empty."""
    return Field(default, min_length=1, max_length=longest, description=allowed)


def name(of: str) -> Any:
    """Declare a name that can stand in an MQTT topic."""
    allowed = f"a name for the {of} of 1 to 63 characters a-z, 0-9 and inner hyphens"
    return Field(pattern=NAME_PATTERN, description=allowed)


def label(of: str) -> Any:
    """Declare what people call a thing, in any letters; None for its name."""
    allowed = f"what to call the {of} on screens: 1 to {LONGEST_LABEL} signs that can be printed"
    return Field(None, min_length=1, max_length=LONGEST_LABEL, description=allowed)


def _printed(value: str) -> str:
    if not value.isprintable() or value != value.strip():
        msg = "it begins or ends with a blank, or holds what cannot be printed"
        raise ValueError(msg)
    return value


Label: TypeAlias = Annotated[str, AfterValidator(_printed)]
"""What people call a thing on screens."""


def sections(allowed: str, key: str, default: Any = PydanticUndefined) -> Any:
    """Declare a list of tables, which the file heads with `key`."""
    return Field(default, alias=key, strict=False, description=allowed)


def clock_time(value: str) -> str:
    """Return a time of day such as "07:00", checked.

    Raises:
        ValueError: It is none.
    """
    hour, colon, minute = value.partition(":")
    if not (colon and hour.isdecimal() and minute.isdecimal() and len(minute) == 2):  # noqa: PLR2004
        raise ValueError("it is not hours and minutes")
    if not (int(hour) < 24 and int(minute) < 60):  # noqa: PLR2004 - of a clock
        raise ValueError("there is no such time of day")
    return value


def _beside_the_file(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, str) or not value or "\0" in value:
        return value
    folder = (info.context or {}).get("folder", Path())
    return folder / value


def _handed_over(value: object, info: ValidationInfo) -> object:
    found = _credential(value) if isinstance(value, str) else None
    return _beside_the_file(value, info) if found is None else found


def _credential(name: str) -> Path | None:
    folder = credentials_folder()
    if folder is None or "\0" in name or Path(name).name != name:
        return None
    # Unlike that of a Path, it says no also where nobody may look.
    return folder / name if os.path.isfile(folder / name) else None  # noqa: PTH113


def credentials_folder() -> Path | None:
    """Return where the service manager put what it hands over to this process; None for nothing.

    Source: systemd.exec(5), "Credentials" (from memory).
    """
    named = os.environ.get("CREDENTIALS_DIRECTORY", "")
    return Path(named) if named.startswith("/") else None


FilePath = Annotated[Path, BeforeValidator(_beside_the_file)]
"""A path; a relative one starts from the folder that holds the configuration."""
SecretPath = Annotated[Path, BeforeValidator(_handed_over)]
"""The path of a secret: a name alone is that of a credential that was handed over, if one is."""
