"""A draft in a file of its own: a new one, and never where a configuration is looked for."""

from __future__ import annotations

from pathlib import Path

from daemon.config.loading import USUAL_PLACES
from daemon.config.places import own_configuration
from daemon.errors import InputError


def write_new(path: Path, text: str, in_use: Path | None = None) -> None:
    """Write a draft into a file that does not exist yet.

    Args:
        path: The file.
        text: What it is to hold.
        in_use: The configuration that a command names; None for none.

    Raises:
        InputError: The file exists, or is one that the service would take for its configuration.
    """
    own = own_configuration()
    looked_for = [*USUAL_PLACES, *([] if own is None else [own]), *([in_use] if in_use else [])]
    if path.resolve() in {each.resolve() for each in looked_for}:
        raise InputError(
            f"{path} is where a configuration is looked for, and a draft is no configuration; name"
            " another file, check what it says, and copy it yourself"
        )
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as exc:
        raise InputError(f"{path} exists, and a draft overwrites nothing; name a new file") from exc
