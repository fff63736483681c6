"""The file that training keeps what it generated in, from one command to the next."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import TypeVar

Kept = TypeVar("Kept")


def store(found: object, path: Path) -> None:
    """Store what was generated.

    Raises:
        OSError: It cannot be written.
    """
    with path.open("wb") as file:
        pickle.dump(found, file, protocol=5)


def load(path: Path, kind: type[Kept]) -> Kept:
    """Return what `store` wrote; never give it a file from another source.

    Args:
        path: Of the file.
        kind: What it must hold.

    Raises:
        OSError: It cannot be read.
        TypeError: It holds something else.
    """
    with path.open("rb") as file:
        found = pickle.load(file)  # noqa: S301 - our own
    if not isinstance(found, kind):
        raise TypeError(f"{path} holds {type(found).__name__}, not {kind.__name__}")
    return found
