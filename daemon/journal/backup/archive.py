"""A backup as one file: a zip of the members below and of a manifest that proves them.

Nothing in it is taken at its word: sizes are bounded before anything is unpacked, only known
names are read, and each member counts only once its size and SHA-256 are those of the manifest.
"""

from __future__ import annotations

import errno
import hashlib
import os
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Annotated, Any, Final

from pydantic import AwareDatetime, Field, TypeAdapter, ValidationError

from daemon.errors import BrinewrightError
from daemon.journal.schema import MIGRATIONS, misfit

FORMAT = 1
MANIFEST = "manifest.json"
JOURNAL, CURSORS, INBOX = "journal.db", "cursors.db", "inbox.db"
CONFIGURATION = "brinewright.toml"
MEMBERS = (JOURNAL, CURSORS, INBOX, CONFIGURATION)
LEVEL = 1
"""Half the size at 100 MB/s here; level 6 takes three times as long for a tenth less."""
CHUNK = 1 << 20
LARGEST_MANIFEST = 65_536
LARGEST_CONFIGURATION = 1_000_000
LARGEST = 1 << 50
MOST_ENTRIES = 8
END = struct.Struct("<4s4H2LH")
"""The last bytes of a zip without a comment; source: APPNOTE.TXT 6.3.10, section 4.3.16."""
UNREADABLE: Final = (
    *(zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError),
    *(NotImplementedError, RuntimeError, ValueError, KeyError, OverflowError),
)
"""What the library raises at archives that are none, are cut off, or ask for what we never use."""

Count = Annotated[int, Field(ge=0, le=LARGEST)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Words = Annotated[str, Field(max_length=1000)]


class BackupError(BrinewrightError):
    """A backup cannot be made, or not be relied on; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Member:
    """One file in it.

    Attributes:
        bytes: Its size.
        sha256: Of all of it, in hexadecimal.
    """

    bytes: Count
    sha256: Sha256


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself.

    Attributes:
        format: Of the archive.
        version: Of the program that made it.
        schema: Of the journal.
        station: Its name.
        made_at: When it was made.
        identity: Of the journal; empty where an early version wrote it.
        last_seq: Number of the newest entry.
        last_at: When that was; None in an empty journal.
        members: By name.
        left_out: Files that the configuration names and that are kept elsewhere.
        missing: What there was and could not be copied, as sentences.
        damaged: Readings and summaries in it that the disk had changed.
        spoilt: What was wrong with the journal, of which then only what proves true is in it.
    """

    format: Annotated[int, Field(ge=1, le=FORMAT)]
    version: Words
    schema: Annotated[int, Field(ge=1, le=LARGEST)]
    station: Words
    made_at: AwareDatetime
    identity: Words
    last_seq: Count
    last_at: AwareDatetime | None
    members: dict[str, Member]
    left_out: list[Words]
    missing: list[Words]
    damaged: Count
    spoilt: Words


@dataclass(frozen=True, slots=True)
class Archive:
    """One that is open.

    Attributes:
        path: Where it is.
        manifest: What it says of itself.
        digest: SHA-256 of the manifest, which tells this backup from any other.
    """

    path: Path
    manifest: Manifest
    digest: str
    _zip: zipfile.ZipFile

    def unpack(self, name: str, to: IO[bytes]) -> None:
        """Write a member to a file.

        Raises:
            BackupError: It is not what the manifest says; what was written is of no use.
            OSError: It cannot be written.
        """
        for chunk in self._chunks(name):
            to.write(chunk)

    def read(self, name: str) -> bytes:
        """Return a small member whole.

        Raises:
            BackupError: It is not what the manifest says.
        """
        return b"".join(self._chunks(name))

    def prove(self) -> None:
        """Return only when every member is what the manifest says.

        Raises:
            BackupError: One is not.
        """
        for name in self.manifest.members:
            for _ in self._chunks(name):
                pass

    def _chunks(self, name: str) -> Iterator[bytes]:
        member = self.manifest.members[name]
        digest, left = hashlib.sha256(), member.bytes
        with _understood(self.path), self._zip.open(name) as source:
            while left and (chunk := source.read(min(CHUNK, left))):
                digest.update(chunk)
                left -= len(chunk)
                yield chunk
        if left or digest.hexdigest() != member.sha256:
            raise BackupError(
                f"backup {self.path}: {name} in it is not what was backed up; use another copy"
            )


@contextmanager
def opened(path: Path) -> Iterator[Archive]:
    """Give a backup to be read.

    Raises:
        BackupError: It is none, is cut off, or of a version that this one does not know.
        OSError: It cannot be read.
    """
    if path.exists() and not path.is_file():
        raise BackupError(f"backup {path}: it is no file; name the file that was backed up to")
    with path.open("rb") as file:
        _check_end(path, file)
        with _understood(path), zipfile.ZipFile(file) as archive:
            text = _small(archive, MANIFEST, LARGEST_MANIFEST)
        # The generator goes on below while what it gave is used, whose faults are not its own.
        manifest = _manifest(path, text)
        with zipfile.ZipFile(file) as archive:
            with _understood(path):
                _check_members(path, archive, manifest)
            yield Archive(path, manifest, hashlib.sha256(text).hexdigest(), archive)


@contextmanager
def _understood(path: Path) -> Iterator[None]:
    try:
        yield
    except (*UNREADABLE, OSError) as exc:
        # The library seeks to wherever the archive says, be it before the beginning of the file.
        if isinstance(exc, OSError) and exc.errno != errno.EINVAL:
            raise
        raise BackupError(
            f"backup {path}: it is spoilt or no backup of brinewright ({exc}); use another copy"
        ) from exc


def _check_end(path: Path, file: IO[bytes]) -> None:
    """Return only when the file ends as we end it: what is cut off, or long of names, does not."""
    size = file.seek(0, 2)
    file.seek(max(0, size - END.size))
    tail = file.read(END.size)
    file.seek(0)
    if len(tail) == END.size:
        mark, _, _, _, entries, names_bytes, _, comment = END.unpack(tail)
        few = entries <= MOST_ENTRIES and names_bytes <= LARGEST_MANIFEST
        if mark == b"PK\5\6" and few and not comment:
            return
    raise BackupError(f"backup {path}: it is cut off or no backup of brinewright; use another copy")


def _small(archive: zipfile.ZipFile, name: str, largest: int) -> bytes:
    with archive.open(name) as source:
        text = source.read(largest + 1)
    if len(text) > largest:
        raise ValueError(f"{name} is larger than {largest} bytes")
    return text


def _manifest(path: Path, text: bytes) -> Manifest:
    try:
        raw = TypeAdapter(dict[str, Any]).validate_json(text)
        number = raw.get("format")
        if isinstance(number, int) and number > FORMAT:
            raise BackupError(
                f"backup {path}: a newer version made it (format {number}, this one knows"
                f" {FORMAT}); install that version"
            )
        return TypeAdapter(Manifest).validate_json(text)
    except ValidationError as exc:
        fault = exc.errors(include_url=False)[0]
        where = ".".join(map(str, fault["loc"])) or "it"
        raise BackupError(
            f"backup {path}: its manifest cannot be used ({where}: {fault['msg']});"
            " use another copy"
        ) from exc


def _check_members(path: Path, archive: zipfile.ZipFile, manifest: Manifest) -> None:
    known = set(manifest.members)
    if JOURNAL not in known or not known <= set(MEMBERS):
        raise BackupError(f"backup {path}: its manifest names other files than a backup has")
    configuration = manifest.members.get(CONFIGURATION)
    if configuration is not None and configuration.bytes > LARGEST_CONFIGURATION:
        raise BackupError(f"backup {path}: its configuration is larger than a megabyte")
    names = [each.filename for each in archive.infolist()]
    for name, member in manifest.members.items():
        if names.count(name) != 1:
            raise BackupError(f"backup {path}: {name} is not in it once; use another copy")
        if archive.getinfo(name).file_size != member.bytes:
            raise BackupError(f"backup {path}: {name} in it has another size; use another copy")


def check_schema(archive: Archive) -> None:
    """Return only when this version knows the journal in a backup.

    Raises:
        BackupError: A newer version wrote it.
    """
    if archive.manifest.schema > len(MIGRATIONS):
        raise BackupError(
            f"backup {archive.path}: its journal cannot be read: {misfit(archive.manifest.schema)}"
        )


def pack(
    path: Path,
    files: Mapping[str, Path],
    manifest_of: Callable[[dict[str, Member]], Manifest],
    pause: Callable[[IO[bytes]], None],
) -> Manifest:
    """Write an archive and return what it says of itself, once all of it is on the disk.

    Args:
        path: Where; nothing may be there.
        files: The members by name.
        manifest_of: Makes the manifest, given what each member is.
        pause: Called with the archive after each piece, so that others come to the disk.

    Raises:
        OSError: It could not be written.
    """
    with open(path, "xb", opener=_private) as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as archive:
            members = {
                name: _add(archive, name, source, lambda: pause(file))
                for name, source in files.items()
            }
            manifest = manifest_of(members)
            with archive.open(MANIFEST, "w") as out:
                out.write(TypeAdapter(Manifest).dump_json(manifest, indent=1))
        file.flush()
        os.fsync(file.fileno())
    return manifest


def _add(archive: zipfile.ZipFile, name: str, source: Path, pause: Callable[[], None]) -> Member:
    digest, size = hashlib.sha256(), 0
    with source.open("rb") as file, archive.open(name, "w", force_zip64=True) as out:
        while chunk := file.read(CHUNK):
            digest.update(chunk)
            size += len(chunk)
            out.write(chunk)
            pause()
    return Member(size, digest.hexdigest())


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_CLOEXEC, 0o600)
