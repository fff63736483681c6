"""`brinewright backup`: all records in one file, and back."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon import assembly
from daemon.cli.output import (
    CONFIG,
    NOT_SO,
    UNAVAILABLE,
    USAGE,
    emit,
    fail,
    journal_of,
    read_config,
    reason_of,
    warn,
)
from daemon.config import ConfigError, find_config, parse
from daemon.config.places import new_configuration
from daemon.journal.backup import settings_file
from daemon.journal.backup.archive import MEMBERS, Manifest
from daemon.journal.backup.creation import BackupSource
from daemon.journal.backup.creation import create as back_up
from daemon.journal.backup.restore import Restored, check, configuration_in, restore
from daemon.journal.errors import JournalError
from daemon.journal.foreign import refuse_foreign
from daemon.printable import printable
from daemon.probes.registry import SECTIONS
from daemon.publishing.notify.queue_file import queue_path
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.journal.backup.settings_file import Placed

backup = typer.Typer(help="Copy all records to one file, and back.", no_args_is_help=True)

File = Annotated[Path, typer.Argument(help="The backup.")]
ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
MEGABYTE = 1_000_000
KEEP = "passwords, tokens and certificates are not in it; keep copies elsewhere"


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.add_typer(backup, name="backup")


@backup.command()
def create(
    *,
    file: Annotated[Path, typer.Argument(help="File to write.")],
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Copy all records to one file, while the service runs."""
    settings = read_config(config)
    journal_of(settings.journal.path)
    refuse_foreign(settings.journal.path)
    if lacking := missing_rights(file.parent, write=True):
        fail(f"{file}: {lacking}; or name another file", NOT_SO)
    named = tuple(map(str, settings_file.files_named(settings)))
    try:
        place = find_config(config)
        text, station = place.read_bytes(), settings.station.name
        source = BackupSource(settings.journal.path, station, text, named, place)
        made = back_up(source, file, assembly.clock(settings).now(), replace=force)
    except OSError as exc:
        fail(f"{exc.filename}: cannot be read: {reason_of(exc)}", CONFIG)
    emit(_payload(file, made), as_json=as_json, text=_summary(f"written to {file}", made))
    _warn(made)
    if made.spoilt or made.missing:
        raise SystemExit(NOT_SO)


@backup.command(name="check")
def check_file(*, file: File, as_json: Json = False) -> None:
    """Say whether a backup is whole, and what is in it. Nothing is restored."""
    _check_there(file)
    manifest = check(file)
    emit(_payload(file, manifest), as_json=as_json, text=_summary(f"{file} is whole", manifest))
    _warn(manifest)


@backup.command(name="restore")
def restore_file(
    *,
    file: File,
    configuration: Annotated[
        bool, typer.Option("--configuration", help="Replace the configuration too.")
    ] = False,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Put a backup in the place of what is there, which is put aside.

    Measuring and publishing must be stopped.  A configuration that is there
    stays; that of the backup is written beside it.
    """
    _check_there(file)
    path = _configuration_path(config)
    try:
        text = configuration_in(file)
        settings = _settings(path, text, file, replace=configuration)
        _check_rights(path, text, settings.journal.path)
        journal, now = settings.journal.path, assembly.clock(settings).now()
        done = restore(file, journal, now, also=(queue_path(journal),))
    except JournalError as exc:
        # Whatever keeps a backup from being restored, the backup is not restored.
        fail(str(exc), NOT_SO)
    try:
        placed = settings_file.place(text, path, now, replace=configuration)
    except OSError as exc:
        fail(
            f"the journal was restored; the configuration could not be: {exc.filename}:"
            f" {exc.strerror}; restore the same backup again",
            NOT_SO,
        )
    away = [each for each in done.manifest.left_out if not _may_be_there(Path(each))]
    answer = {
        **_payload(file, done.manifest),
        "journal": str(journal),
        "put_aside": [str(each) for each in (*done.aside, placed.aside) if each],
        "configuration": None if placed.to is None else str(placed.to),
        "commands_not_carried_out": done.waiting,
        "finished": done.finished,
    }
    emit(answer, as_json=as_json, text=_restored(done, placed, path, journal))
    if settings.station.name != done.manifest.station:
        warn(
            f"this backup is of the station {done.manifest.station!r}, and the configuration is of"
            f" {settings.station.name!r}"
        )
    if away:
        warn(f"not in the backup, and not here either: {', '.join(away)}")
    _warn(done.manifest)


def _check_there(file: Path) -> None:
    try:
        there = file.is_file()
    except OSError as exc:
        fail(f"{file}: cannot be read: {reason_of(exc)}", USAGE)
    if not there:
        fail(
            f"{file}: there is no such file; name one that 'brinewright backup create' made", USAGE
        )
    if lacking := missing_rights(file):
        fail(f"{file}: cannot be read: {lacking}", USAGE)


def _check_rights(config: Path, text: bytes, journal: Path) -> None:
    """End before anything is touched where something could not be put in its place."""
    same = config.exists() and config.read_bytes() == text
    for each in (journal, journal.parent, *(() if same else (config.parent,))):
        if lacking := missing_rights(each, write=True):
            fail(lacking, UNAVAILABLE)


def _configuration_path(config: Path | None) -> Path:
    """Return where the configuration is, or is to be."""
    try:
        return find_config(config)
    except ConfigError:
        return new_configuration()


def _settings(path: Path, text: bytes, file: Path, *, replace: bool) -> Config:
    """Return the configuration that says where the journal belongs."""
    if lacking := missing_rights(path):
        fail(lacking, CONFIG)
    if path.exists() and not replace:
        return read_config(path)
    try:
        return parse(text.decode("utf-8-sig"), path, SECTIONS)
    except UnicodeDecodeError:
        fail(f"backup {file}: the configuration in it is not UTF-8 text", NOT_SO)
    except ConfigError as exc:
        for fault in exc.faults:
            warn(fault)
        fail(f"backup {file}: the configuration in it is not one of this version", CONFIG)


def _may_be_there(path: Path) -> bool:
    """Say whether there is a file; one that we may not look for counts as there."""
    try:
        return path.exists()
    except OSError:
        return True


def _payload(file: Path, of: Manifest) -> dict[str, JSON]:
    return {
        "file": str(file),
        "bytes": file.stat().st_size,
        "station": of.station,
        "made_at": _moment(of.made_at),
        "version": of.version,
        "schema": of.schema,
        "last_seq": of.last_seq,
        "last_at": _moment(of.last_at),
        "members": {name: each.bytes for name, each in of.members.items()},
        "left_out": [*of.left_out],
        "missing": [*of.missing],
        "damaged": of.damaged,
        "spoilt": of.spoilt or None,
    }


def _summary(done: str, of: Manifest) -> str:
    """Return what a backup holds, as a person reads it."""
    sizes = ", ".join(
        f"{name} {_size(of.members[name].bytes)}" for name in MEMBERS if name in of.members
    )
    lines = [
        f"{done}: station {of.station}, made {_moment(of.made_at)} by version {of.version}",
        f"in it: {sizes}",
        f"newest entry: {_moment(of.last_at) or 'none'}",
    ]
    if of.left_out:
        lines.append(f"{KEEP}: {', '.join(of.left_out)}")
    # What a file says of itself is untrusted.
    return "\n".join(map(printable, lines))


def _restored(done: Restored, placed: Placed, path: Path, journal: Path) -> str:
    earlier = ", begun earlier" if done.finished else ""
    head = _summary(f"restored to {journal}{earlier}", done.manifest)
    lines = [f"put aside: {each}" for each in (*done.aside, placed.aside) if each]
    if placed.to is None:
        lines.append(f"configuration: {path} is the one of the backup")
    elif placed.to == path:
        lines.append(f"configuration: written to {path}")
    else:
        lines.append(f"configuration: {path} stays; that of the backup is {placed.to}")
    if done.waiting:
        many = done.waiting > 1
        lines.append(
            f"{done.waiting} {'commands' if many else 'command'} waited and"
            f" {'are not carried out; give them' if many else 'is not carried out; give it'} again"
        )
    lines.append("now start measuring and publishing")
    return "\n".join([head, *map(printable, lines)])


def _warn(of: Manifest) -> None:
    if of.spoilt:
        warn(
            f"the journal was spoilt on the disk ({of.spoilt}); the backup holds what could be"
            " read of it; restart measuring, which puts it aside and goes on with as much"
        )
    for each in of.missing:
        warn(f"not in the backup: {each}")
    if of.damaged:
        warn(f"{of.damaged} old readings in it were changed on the disk and cannot be trusted")


def _moment(wall: datetime | None) -> str | None:
    return None if wall is None else wall.strftime("%Y-%m-%dT%H:%M:%SZ")


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= MEGABYTE else f"{count / 1e3:.1f} kB"
