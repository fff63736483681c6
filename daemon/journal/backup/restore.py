"""Restores a backup: proves it beside the journal, then lets it take the journal's place.

Until it is proven nothing of what is there is touched.  Then it is written down what takes the
place of what, and that is done by whoever comes next, whatever is killed.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.entries import Event
from daemon.journal.backup import archive, contents
from daemon.journal.backup.archive import Archive, BackupError, Manifest, opened
from daemon.journal.backup.copies import snapshot
from daemon.journal.backup.marking import leave, mark, number_after, rename_cursors
from daemon.journal.backup.proof import prove
from daemon.journal.cursors import cursors_path
from daemon.journal.disk import force, hand_over
from daemon.journal.errors import JournalBusyError, JournalError
from daemon.journal.foreign import refuse_foreign
from daemon.journal.inbox import beside
from daemon.journal.lock import take_lock
from daemon.journal.recovery.aside import replaced_name
from daemon.journal.replacement import (
    Replacement,
    ReplacementStep,
    begin,
    finish,
    note_path,
    pending,
    staging_prefix,
)
from daemon.mixing.service_events import JournalRestored

if TYPE_CHECKING:
    from daemon.entries import Instant

RESTORED = "journal restored"
RESERVE = 16 << 20
"""Bytes of the disk that are left alone."""
MODES = {archive.JOURNAL: 0o640, archive.CURSORS: 0o640, archive.INBOX: 0o660}
INBOX_FOLDER_MODE = 0o2770


@dataclass(frozen=True, slots=True)
class Restored:
    """What was done.

    Attributes:
        manifest: What the backup says of itself.
        aside: What was there before, under the names that it has now.
        waiting: Commands that waited in the inbox that was there.
        finished: Whether only an interrupted restore of the same backup had to be finished.
    """

    manifest: Manifest
    aside: tuple[Path, ...]
    waiting: int = 0
    finished: bool = False


def check(path: Path) -> Manifest:
    """Return what a backup says of itself, once all that is in it was found to be that.

    Raises:
        BackupError: It is not to be relied on, or not for this version.
    """
    with _read(path) as found:
        found.prove()
        return found.manifest


def configuration_in(path: Path) -> bytes:
    """Return the configuration in a backup.

    Raises:
        BackupError: There is none, or it is not to be relied on.
    """
    with _read(path) as found:
        if archive.CONFIGURATION not in found.manifest.members:
            raise BackupError(f"backup {path}: there is no configuration in it; use another copy")
        return found.read(archive.CONFIGURATION)


def restore(path: Path, journal: Path, now: Instant, also: tuple[Path, ...] = ()) -> Restored:
    """Put what is in a backup in the place of a journal, its cursors and its inbox.

    Args:
        path: The backup.
        journal: Where the journal is, or is to be.
        now: The present moment.
        also: Further files that speak of the journal that is there, and are put aside with it.

    Raises:
        BackupError: It is refused, and nothing was touched.
        ForeignFileError: The journal's path names something else, which was not touched.
        JournalError: It was begun and could not be finished.
    """
    # What a restore had begun before it was killed is finished below.
    if not note_path(journal).exists():
        refuse_foreign(journal)
    with _read(path) as found, _alone(journal):
        done = _finished(journal)
        if done is not None and done.source == found.digest:
            return Restored(found.manifest, _aside(journal, done), finished=True)
        if _is_there(journal, found.digest):
            return Restored(found.manifest, (), finished=True)
        with _staging(journal) as folder:
            try:
                _check_space(found.manifest, folder)
                _unpack(found, folder)
                _check_journal(found, folder / archive.JOURNAL)
                waiting = contents.waiting(beside(journal))
                replacement = _replacement(found, journal, folder, now, also)
                _make_ready(found, journal, folder, now)
                begin(journal, replacement)
            except OSError as exc:
                msg = f"{exc.filename or journal}: {exc.strerror or exc}; nothing was restored"
                raise BackupError(msg) from exc
            except sqlite3.Error as exc:
                raise BackupError(f"backup {path}: {exc}; nothing was restored") from exc
            finish(journal)
    return Restored(found.manifest, _aside(journal, replacement), waiting)


@contextmanager
def _read(path: Path) -> Iterator[Archive]:
    try:
        with opened(path) as found:
            archive.check_schema(found)
            yield found
    except OSError as exc:
        raise BackupError(f"backup {path}: cannot be read: {exc.strerror or exc}") from exc


@contextmanager
def _alone(journal: Path) -> Iterator[None]:
    """Keep measuring and publishing out.

    Raises:
        BackupError: One of them runs, or we may not write here.
    """
    with ExitStack() as stack:
        for path, kind in ((journal, "journal"), (cursors_path(journal), "cursors")):
            try:
                lock = take_lock(path, kind)
            except JournalBusyError as exc:
                what = "measures" if path == journal else "publishes"
                msg = f"journal {journal}: a brinewright {what} there; stop it, then restore"
                raise BackupError(msg) from exc
            except JournalError as exc:
                raise BackupError(f"{exc}; nothing was restored") from exc
            stack.callback(os.close, lock)
            with suppress(OSError):
                hand_over(path.with_name(f"{path.name}.lock"), path.parent, MODES[archive.JOURNAL])
        yield


def _finished(journal: Path) -> Replacement | None:
    """Finish a restore that was interrupted; one that cannot be is repeated."""
    with suppress(JournalError):
        return finish(journal)
    return None


@contextmanager
def _staging(journal: Path) -> Iterator[Path]:
    """Give a folder beside the journal; what processes that were killed left is removed."""
    _remove_left(journal)
    folder = Path(tempfile.mkdtemp(prefix=staging_prefix(journal), dir=journal.parent))
    try:
        yield folder
    finally:
        _remove_left(journal)


def _remove_left(journal: Path) -> None:
    """Remove what was unpacked, but not what still has to take its place."""
    with suppress(JournalError):
        begun = pending(journal)
        for left in journal.parent.glob(f"{staging_prefix(journal)}*"):
            if begun is None or left.name != begun.folder:
                shutil.rmtree(left, ignore_errors=True)


def _check_space(manifest: Manifest, folder: Path) -> None:
    needed = sum(each.bytes for each in manifest.members.values()) + RESERVE
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise BackupError(
            f"the backup needs {needed / 1e6:.0f} MB, and {free / 1e6:.0f} MB are free at"
            f" {folder.parent}; make room there"
        )


def _unpack(found: Archive, folder: Path) -> None:
    for name in found.manifest.members:
        with (folder / name).open("xb") as file:
            found.unpack(name, file)


def _check_journal(found: Archive, journal: Path) -> None:
    """Return only when an unpacked journal proves true."""
    proof = prove(journal)
    if proof.why:
        msg = f"backup {found.path}: the journal in it does not prove true: {proof.why}"
        raise BackupError(f"{msg}; use another copy")
    with contents.reading(journal) as db:
        held = contents.read_contents(db)
    wanted = found.manifest
    if (held.schema, held.identity, held.last_seq) != (
        wanted.schema,
        wanted.identity,
        wanted.last_seq,
    ):
        raise BackupError(f"backup {found.path}: its manifest is that of another journal")
    for name in (archive.CURSORS, archive.INBOX):
        part = journal.with_name(name)
        if part.exists() and contents.fault_of(part, name.removesuffix(".db")) != "":
            raise BackupError(f"backup {found.path}: {name} in it cannot be used; use another copy")


def _replacement(
    found: Archive, journal: Path, folder: Path, now: Instant, also: tuple[Path, ...]
) -> Replacement:
    places = {
        archive.CURSORS: cursors_path(journal),
        archive.INBOX: beside(journal),
        archive.JOURNAL: journal,
    }
    steps = [_step(journal, path, now) for path in also]
    for name, place in places.items():
        fresh = name if name in found.manifest.members else ""
        steps.append(_step(journal, place, now, fresh))
    return Replacement(found.digest, folder.name, tuple(steps))


def _step(journal: Path, place: Path, now: Instant, fresh: str = "") -> ReplacementStep:
    aside = replaced_name(place, now)
    place_name, aside_name = (os.path.relpath(each, journal.parent) for each in (place, aside))
    return ReplacementStep(place_name, aside_name, fresh)


def _make_ready(found: Archive, journal: Path, folder: Path, now: Instant) -> None:
    """Make what was unpacked fit to take its place, and force it to the disk."""
    manifest = found.manifest
    had = contents.furthest_cursor(cursors_path(journal))
    given = [manifest.last_seq, _last_seq(journal), had]
    latest = max(filter(None, (now.wall, manifest.made_at, manifest.last_at)))
    seq = number_after(given, latest)
    name = mark(folder / archive.JOURNAL, _restore_event(manifest, found.digest, now), seq)
    if archive.CURSORS in manifest.members:
        rename_cursors(folder / archive.CURSORS, manifest.identity, name, manifest.last_seq)
    if archive.INBOX in manifest.members:
        leave(folder / archive.INBOX)
    inbox_folder = beside(journal).parent
    if not inbox_folder.exists():
        inbox_folder.mkdir()
        hand_over(inbox_folder, journal.parent, INBOX_FOLDER_MODE)
    for member, mode in MODES.items():
        if member in manifest.members:
            hand_over(folder / member, journal.parent, mode)
            force(folder / member)
    hand_over(folder, journal.parent, 0o700)
    force(folder)


def _last_seq(journal: Path) -> int:
    """Return the newest number of the journal that is there; 0 for none, or a spoilt one."""
    with suppress(sqlite3.Error, JournalError, UnicodeDecodeError), snapshot(journal) as db:
        return contents.read_contents(db).last_seq
    return 0


def _is_there(journal: Path, digest: str) -> bool:
    """Say whether this backup was restored before and nothing has come since."""
    with suppress(sqlite3.Error, JournalError, UnicodeDecodeError), snapshot(journal) as db:
        found = db.execute(
            "SELECT seq, json_extract(facts, '$.backup') FROM events ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        return bool(found == (contents.read_contents(db).last_seq, digest))
    return False


def _restore_event(manifest: Manifest, digest: str, now: Instant) -> Event:
    made = manifest.made_at.strftime("%Y-%m-%dT%H:%M:%SZ")
    newest = "" if manifest.last_at is None else manifest.last_at.strftime("%Y-%m-%dT%H:%M:%SZ")
    restored = JournalRestored(
        f"the journal was restored from a backup made at {made}"
        f"{f', with entries up to {newest}' if newest else ''};"
        " what was recorded after that is not in it",
        made,
        manifest.last_seq,
        digest,
    )
    return Event("", now, "", restored)


def _aside(journal: Path, replacement: Replacement) -> tuple[Path, ...]:
    names = (journal.parent / step.aside for step in replacement.steps)
    return tuple(each for each in names if each.exists())
