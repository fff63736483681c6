"""Makes a backup: journal, cursors, inbox and configuration as they were at one moment.

Measuring and publishing go on meanwhile.  The cursors are those of just before the journal's
moment and the inbox is that of just after, so that no cursor is ahead of the journal and no
command that it lacks counts as carried out.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import __version__
from daemon.entries import Event
from daemon.errors import ExitCode
from daemon.journal.access import needs_log
from daemon.journal.backup import archive, contents
from daemon.journal.backup.archive import BackupError, Manifest, Member
from daemon.journal.backup.copies import CopyThrottle, copy, snapshot
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.workplace import PREFIX, workplace
from daemon.journal.cursors import cursors_path
from daemon.journal.disk import force
from daemon.journal.errors import (
    JournalError,
    JournalMissingError,
    NoFileError,
    WrittenMeanwhileError,
    broken,
)
from daemon.journal.inbox import beside
from daemon.journal.reader import LOG_LEFT
from daemon.journal.recovery.recovery import carried, carry_over
from daemon.journal.replacement import pending
from daemon.mixing.service_events import JournalSalvaged

if TYPE_CHECKING:
    from daemon.entries import Instant
    from daemon.journal.recovery.recovery import Carried

TRIES = 5
RESERVE = 16 << 20
"""Bytes of the disk that are left alone."""
NO_CURSORS = "how far publishers are ({}): after a restore they begin at the first entry"
NO_INBOX = "the inbox of commands ({}): what waits in it is not in the backup"


class BackupExistsError(BackupError):
    """A file is there already."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class BackupSource:
    """What is backed up.

    Attributes:
        journal: The journal; cursors and inbox are found by it.
        station: Name of the station.
        configuration: The configuration file, as it is.
        left_out: Files that it names and that are kept elsewhere.
        place: Where the configuration is; None where that does not matter.
    """

    journal: Path
    station: str
    configuration: bytes
    left_out: tuple[str, ...] = ()
    place: Path | None = None


@dataclass(slots=True)
class Copies:
    """What was copied.

    Attributes:
        files: By name in the archive.
        missing: What could not be, as sentences.
        proof: Of the journal's copy.
    """

    files: dict[str, Path] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    proof: Proof = field(default_factory=Proof)


def create(source: BackupSource, to: Path, now: Instant, *, replace: bool = False) -> Manifest:
    """Back up to a file, which is there only once it is whole; return what it says of itself.

    Args:
        source: What.
        to: Where.
        now: The present moment.
        replace: Whether a file that is there may be replaced.

    Raises:
        BackupExistsError: A file is there, and `replace` is not given.
        BackupError: It cannot be made; the text says why.
        JournalError: There is no journal, or it cannot be read.
    """
    if pending(source.journal) is not None:
        msg = f"journal {source.journal}: a restore was interrupted; start 'brinewright run' first"
        raise JournalError(msg)
    try:
        _check_own(source, to)
        _check_target(to, replace=replace)
        with workplace(to.parent) as folder:
            copies = _copied(source, folder, now)
            packed = folder / "packed"
            manifest = archive.pack(
                packed, copies.files, partial(_manifest, source, copies, now), CopyThrottle().wait
            )
            _place(packed, to, replace=replace)
    except OSError as exc:
        ours = exc.filename is None or PREFIX in str(exc.filename)
        msg = f"{to if ours else exc.filename}: {exc.strerror or exc}; nothing was backed up"
        raise BackupError(msg) from exc
    return manifest


def _check_own(source: BackupSource, to: Path) -> None:
    """Return only when no file of the station would be replaced by the backup of it."""
    own = [source.journal, cursors_path(source.journal), beside(source.journal)]
    own += [*map(Path, source.left_out), *([source.place] if source.place else [])]
    if to.exists() and any(each.exists() and each.samefile(to) for each in own):
        raise BackupExistsError(f"{to}: this is a file of the station; name another file")


def _check_target(to: Path, *, replace: bool) -> None:
    if not to.parent.is_dir():
        raise BackupError(f"{to}: there is no folder {to.parent}; make it, or name another file")
    if to.is_dir() or (to.exists() and not to.is_file()):
        raise BackupError(f"{to}: this is no file; name a file to back up to")
    if to.exists() and not replace:
        raise BackupExistsError(f"{to} exists already; name another, or --force to replace it")


def _copied(source: BackupSource, folder: Path, now: Instant) -> Copies:
    """Copy everything; again, when a process began to write meanwhile."""
    for attempt in range(TRIES):
        place = folder / f"copies-{attempt}"
        place.mkdir()
        try:
            copies = _copied_once(source, place)
        except WrittenMeanwhileError:
            shutil.rmtree(place)
            continue
        break
    else:
        raise BackupError(f"journal {source.journal}: it is being replaced; try again")
    if copies.proof.why:
        _salvage(source, copies, place, now)
    (place / archive.CONFIGURATION).write_bytes(source.configuration)
    copies.files[archive.CONFIGURATION] = place / archive.CONFIGURATION
    return copies


def _copied_once(source: BackupSource, folder: Path) -> Copies:
    """Copy all databases as they were at one moment.

    Raises:
        WrittenMeanwhileError: A process began to write one meanwhile.
    """
    places = {
        archive.CURSORS: cursors_path(source.journal),
        archive.JOURNAL: source.journal,
        archive.INBOX: beside(source.journal),
    }
    copies, faults = Copies(), dict.fromkeys(places, "")
    with ExitStack() as stack:
        begun = {name: _begun(stack, path, faults, name) for name, path in places.items()}
        if begun[archive.JOURNAL] is None and not faults[archive.JOURNAL]:
            raise JournalMissingError(source.journal)
        _check_space(begun, folder)
        for name, db in begun.items():
            if db is not None:
                copies.files[name] = folder / name
                faults[name] = _fault_of(places[name], partial(copy, db, folder / name))
    copies.proof = _proof(copies, faults[archive.JOURNAL], source.journal)
    for name, loss in ((archive.CURSORS, NO_CURSORS), (archive.INBOX, NO_INBOX)):
        _leave_out(copies, name, faults[name], loss)
    if archive.INBOX in copies.files and not copies.proof.why:
        inbox, journal = copies.files[archive.INBOX], copies.files[archive.JOURNAL]
        _fault_of(places[archive.INBOX], partial(contents.settle, inbox, journal))
    return copies


def _proof(copies: Copies, fault: str, named: Path) -> Proof:
    if fault:
        return Proof(fault)
    journal = copies.files[archive.JOURNAL]
    contents.check_known(journal, named)
    return prove(journal)


def _begun(
    stack: ExitStack, path: Path, faults: dict[str, str], name: str
) -> sqlite3.Connection | None:
    """Begin a snapshot of a file; None where there is none, or where it is spoilt."""
    found: list[sqlite3.Connection] = []
    with suppress(NoFileError):
        faults[name] = _fault_of(path, lambda: found.append(stack.enter_context(snapshot(path))))
    return found[0] if found else None


def _fault_of(path: Path, work: Callable[[], object]) -> str:
    """Do some work on a file; return how it is spoilt, if it is.

    Raises:
        BackupError: It cannot be done for another reason.
    """
    try:
        work()
    except (NoFileError, WrittenMeanwhileError):
        raise
    except UnicodeDecodeError:
        return "its tables cannot be read"  # SQLite names one, and the name is noise
    except sqlite3.Error as exc:
        name = getattr(exc, "sqlite_errorname", "") or ""
        if broken(exc) or name == "SQLITE_IOERR_READ":
            return str(exc)
        why = LOG_LEFT if needs_log(path, exc) else str(exc)
        raise BackupError(f"{path}: cannot be copied: {why}; nothing was backed up") from exc
    return ""


def _check_space(begun: Mapping[str, sqlite3.Connection | None], folder: Path) -> None:
    """Return only when there is room for the copies and for the archive of them."""
    pages = [
        (
            db.execute("PRAGMA page_count").fetchone()[0],
            db.execute("PRAGMA page_size").fetchone()[0],
        )
        for db in begun.values()
        if db is not None
    ]
    needed = 2 * sum(count * size for count, size in pages) + RESERVE
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise BackupError(
            f"the backup needs up to {needed / 1e6:.0f} MB while it is made, and"
            f" {free / 1e6:.0f} MB are free there; name a file on another disk"
        )


def _leave_out(copies: Copies, name: str, fault: str, loss: str) -> None:
    """Leave a small file out that is spoilt, saying what is lost by it, or that holds nothing."""
    copy_ = copies.files.get(name)
    found = fault or ("" if copy_ is None else contents.fault_of(copy_, name.removesuffix(".db")))
    if found != "":
        copies.files.pop(name, None)
    if found:
        copies.missing.append(loss.format(found))


def _salvage(source: BackupSource, copies: Copies, folder: Path, now: Instant) -> None:
    """Put in the place of a spoilt journal's copy what of it proves true."""
    why, copy_ = copies.proof.why, copies.files.get(archive.JOURNAL)
    kept = carried(copy_ if copy_ is not None and copy_.exists() else source.journal)
    if not kept.entries:
        msg = f"journal {source.journal}: spoilt on the disk ({why}), and nothing in it can be read"
        raise BackupError(f"{msg}; nothing was backed up")
    salvaged = folder / "salvaged.db"
    had = contents.furthest_cursor(cursors_path(source.journal))
    carry_over(kept, salvaged, _salvage_event(source, why, kept, now), had)
    copies.files[archive.JOURNAL] = salvaged
    copies.proof = Proof(why)


def _salvage_event(source: BackupSource, why: str, kept: Carried, now: Instant) -> Event:
    events = kept.count()
    readings = len(kept.entries) - events
    salvaged = JournalSalvaged(
        f"the journal {source.journal} was spoilt on the disk ({why}) when it was backed up;"
        f" in this copy are {events} events, {readings} of the newest readings and"
        f" {'the' if kept.checkpoint else 'not the'} station's state",
        events,
        readings,
        memory=kept.checkpoint is not None,
    )
    return Event("", now, "", salvaged)


def _manifest(
    source: BackupSource, copies: Copies, now: Instant, members: dict[str, Member]
) -> Manifest:
    with contents.reading(copies.files[archive.JOURNAL]) as db:
        held = contents.read_contents(db)
    return Manifest(
        format=archive.FORMAT,
        version=__version__,
        schema=held.schema,
        station=source.station,
        made_at=now.wall,
        identity=held.identity,
        last_seq=held.last_seq,
        last_at=held.last_at,
        members=members,
        left_out=list(source.left_out),
        missing=copies.missing,
        damaged=copies.proof.damaged,
        spoilt=copies.proof.why,
    )


def _place(packed: Path, to: Path, *, replace: bool) -> None:
    """Give a file that is whole its name."""
    if replace:
        packed.replace(to)
    else:
        try:
            to.hardlink_to(packed)
        except FileExistsError:
            raise BackupExistsError(f"{to} exists already; name another, or --force") from None
        except OSError:  # there are no links on the disks of other systems
            _check_target(to, replace=False)
            packed.rename(to)
    force(to.parent)
