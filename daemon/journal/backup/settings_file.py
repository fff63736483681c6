"""The configuration that a backup holds, written where it belongs or beside what is there."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.journal.disk import force, hand_over
from daemon.journal.recovery.aside import replaced_name

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import Instant

MODE = 0o640


@dataclass(frozen=True, slots=True)
class Placed:
    """What was done with it.

    Attributes:
        to: Where it was written; None where the same is there already.
        aside: What was there before, if it was replaced.
    """

    to: Path | None
    aside: Path | None = None


def place(text: bytes, path: Path, now: Instant, *, replace: bool) -> Placed:
    """Write a configuration; beside one that is there and another, unless that is to be replaced.

    Raises:
        OSError: It could not be written; what was there is there.
    """
    there = path.read_bytes() if path.exists() else None
    if there == text:
        return Placed(None)
    if there is None:
        path.parent.mkdir(parents=True, exist_ok=True)
        _write(text, path)
        return Placed(path)
    if not replace:
        beside = path.with_name(f"{path.name}.from-backup")
        _write(text, beside)
        return Placed(beside)
    aside = replaced_name(path, now)
    shutil.copy2(path, aside)
    hand_over(aside, path.parent, MODE)
    force(aside)
    _write(text, path)
    return Placed(path, aside)


def _write(text: bytes, path: Path) -> None:
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    with part.open("xb") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    hand_over(part, path.parent, MODE)
    part.replace(path)
    force(path.parent)


def files_named(config: Config) -> tuple[Path, ...]:
    """Return the files of passwords, tokens, addresses and certificates that it names."""
    sections = (config.mqtt, config.influx, config.notify, config.heartbeat)
    values = (
        getattr(section, name)
        for section in sections
        if section is not None
        for name in type(section).model_fields
    )
    return tuple(dict.fromkeys(value for value in values if isinstance(value, Path)))
