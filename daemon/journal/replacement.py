"""Files that take the place of others: all of them or none, whatever is killed meanwhile.

What is to be done is written down beside the journal before anything is moved.  From then on
whoever opens the journal to write finishes it, and nobody publishes before.  Files that were in
the way are put aside with their logs, never deleted.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from itertools import count, takewhile
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from daemon.journal.disk import force, hand_over
from daemon.journal.errors import JournalError

LOG = "-wal"
INDEX = "-shm"
NOTE_MODE = 0o640


@dataclass(frozen=True, slots=True)
class ReplacementStep:
    """One file.

    Attributes:
        place: Where it belongs, from the journal's folder.
        aside: What a file that is there becomes, likewise.
        fresh: What takes its place, in the folder of what was unpacked; empty for nothing.
    """

    place: str
    aside: str
    fresh: str = ""


@dataclass(frozen=True, slots=True)
class Replacement:
    """What takes the place of what.

    Attributes:
        source: Which backup it comes from.
        folder: Name of the folder beside the journal that holds what was unpacked.
        steps: In this order.
    """

    source: str
    folder: str
    steps: tuple[ReplacementStep, ...]


class NoteSpoiltError(JournalError):
    """It cannot be read what was to be done."""


def note_path(journal: Path) -> Path:
    """Return where it is written down; while that is there, something is not finished."""
    return journal.with_name(f"{journal.name}.restoring")


def staging_prefix(journal: Path) -> str:
    """Return how folders are called that hold what was unpacked for a journal."""
    return f"{journal.name}.restore-"


def pending(journal: Path) -> Replacement | None:
    """Return what was begun and not finished; None for nothing.

    Raises:
        NoteSpoiltError: What is written down cannot be read.
        JournalError: It may not be read.
    """
    note = note_path(journal)
    try:
        found = TypeAdapter(Replacement).validate_json(note.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as exc:
        msg = f"journal {journal}: cannot be used: {note}: {exc.strerror}"
        raise JournalError(msg) from exc
    except ValidationError as exc:
        raise NoteSpoiltError(_unfinished(journal, f"{note} cannot be read")) from exc
    # All of that folder is removed in the end, so it must be one of ours and no other.
    if not found.folder.startswith(staging_prefix(journal)) or "/" in found.folder:
        raise NoteSpoiltError(_unfinished(journal, f"{note} names a folder that is not ours"))
    return found


def begin(journal: Path, replacement: Replacement) -> None:
    """Write down what is to be done; from here on it is done, by whomever.

    Raises:
        OSError: It could not be written down, and nothing is done.
    """
    note = note_path(journal)
    part = note.with_name(f"{note.name}.part")
    with part.open("wb") as file:
        file.write(TypeAdapter(Replacement).dump_json(replacement))
        file.flush()
        os.fsync(file.fileno())
    hand_over(part, journal.parent, NOTE_MODE)
    part.rename(note)
    try:
        force(note.parent)
    except OSError:
        note.unlink()
        raise


def finish(journal: Path) -> Replacement | None:
    """Do what was begun, if anything was, and return it; the journal's lock must be held.

    Raises:
        NoteSpoiltError: What is written down cannot be read.
        JournalError: It cannot be done; it is still to be finished.
    """
    replacement = pending(journal)
    if replacement is None:
        return None
    unpacked = journal.with_name(replacement.folder)
    try:
        for step in replacement.steps:
            _take(journal.parent, unpacked, step)
        for folder in {(journal.parent / step.place).parent for step in replacement.steps}:
            force(folder)
        if not journal.exists():
            raise JournalError(_unfinished(journal, "what was unpacked for it is gone"))
        note_path(journal).unlink()
        force(journal.parent)
    except OSError as exc:
        raise JournalError(_unfinished(journal, f"{exc.filename}: {exc.strerror}")) from exc
    shutil.rmtree(unpacked, ignore_errors=True)
    return replacement


def _take(folder: Path, unpacked: Path, step: ReplacementStep) -> None:
    place, aside = folder / step.place, folder / step.aside
    if not step.fresh:
        if not aside.exists() or not place.exists():
            _put_aside(place, aside)
        return
    fresh = unpacked / step.fresh
    if fresh.exists():  # else it is in its place already
        _put_aside(place, aside)
        _with(place, INDEX).unlink(missing_ok=True)
        fresh.rename(place)


def _put_aside(place: Path, aside: Path) -> None:
    """Put a file aside with its log, which beside another file would be taken for the other's."""
    names = (
        aside.with_name(f"{aside.name}-{number}") if number > 1 else aside for number in count(1)
    )
    stored = list(takewhile(Path.exists, names))
    if place.exists():
        stored.append(aside.with_name(f"{aside.name}-{len(stored) + 1}") if stored else aside)
        place.rename(stored[-1])
    log = _with(place, LOG)
    if log.exists():
        log.rename(_with(stored[-1] if stored else aside, LOG))


def _with(path: Path, end: str) -> Path:
    return path.with_name(f"{path.name}{end}")


def _unfinished(journal: Path, why: str) -> str:
    return (
        f"journal {journal}: a restore was interrupted and cannot be finished: {why};"
        " run 'brinewright backup restore FILE' again"
    )
