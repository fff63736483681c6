"""A backup as one file: whole or refused, whatever the file is."""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.journal.backup import archive
from daemon.journal.backup.archive import FORMAT, BackupError, Manifest, Member, opened, pack
from daemon.journal.backup.restore import check
from daemon.journal.schema import MIGRATIONS

MADE = datetime(2031, 5, 4, 10, tzinfo=UTC)
JOURNAL = os.urandom(3 << 20)
"""More than one piece, and nothing that packs."""
SETTINGS = b"[station]\n"


def manifest(members: dict[str, Member]) -> Manifest:
    """What a backup of no particular journal says."""
    return Manifest(
        FORMAT, "0.1.0", len(MIGRATIONS), "wing", MADE, "aa", 7, MADE, members, [], [], 0, ""
    )


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A backup of bytes."""
    files = {archive.JOURNAL: tmp_path / "j", archive.CONFIGURATION: tmp_path / "c"}
    files[archive.JOURNAL].write_bytes(JOURNAL)
    files[archive.CONFIGURATION].write_bytes(SETTINGS)
    pack(tmp_path / "a.backup", files, manifest, lambda _: None)
    return tmp_path / "a.backup"


def rewritten(path: Path, change: Callable[[dict[str, Any]], None], **members: bytes) -> None:
    """Write the archive again with a changed manifest, and with other members where given."""
    with zipfile.ZipFile(path) as whole:
        parts = {name: whole.read(name) for name in whole.namelist()}
    told = json.loads(parts[archive.MANIFEST])
    change(told)
    parts |= {name.replace("_", "."): text for name, text in members.items()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as other:
        for name, text in {**parts, archive.MANIFEST: json.dumps(told).encode()}.items():
            other.writestr(name, text)


def test_what_was_packed_is_unpacked(made: Path) -> None:
    """Byte by byte, and readable by its owner alone."""
    with opened(made) as found:
        out = io.BytesIO()
        found.unpack(archive.JOURNAL, out)
        assert JOURNAL == out.getvalue()
        assert SETTINGS == found.read(archive.CONFIGURATION)
        assert "wing" == found.manifest.station
    assert 0o600 == made.stat().st_mode & 0o777


def test_any_tool_for_zips_reads_it(made: Path) -> None:
    """In ten years nobody needs this program for it."""
    with zipfile.ZipFile(made) as found:
        assert None is found.testzip()
        told = json.loads(found.read("manifest.json"))

    digest = hashlib.sha256(JOURNAL).hexdigest()
    assert {"bytes": len(JOURNAL), "sha256": digest} == told["members"]["journal.db"]


@pytest.mark.parametrize("left", [0, 1, 21, 22, 1000, -1, -21, -22, -23, -300])
def test_one_that_is_cut_off_is_refused(made: Path, left: int) -> None:
    """A stick that was pulled too early, at any place."""
    data = made.read_bytes()
    made.write_bytes(data[: left if left >= 0 else len(data) + left])

    with pytest.raises(BackupError, match=r"cut off or no backup|spoilt or no backup"):
        check(made)


def test_more_behind_its_end_is_refused(made: Path) -> None:
    """A file that was written over a longer one."""
    made.write_bytes(made.read_bytes() + b"more")

    with pytest.raises(BackupError, match="cut off or no backup"):
        check(made)


def test_a_turned_bit_in_a_member_is_noticed(made: Path) -> None:
    """Also where the zip's own check sum was made to fit."""
    rewritten(made, lambda _: None, journal_db=JOURNAL[:-1] + bytes([JOURNAL[-1] ^ 1]))

    with pytest.raises(BackupError, match=r"journal\.db in it is not what was backed up"):
        check(made)


def test_a_larger_member_than_told_is_refused_unread(made: Path) -> None:
    """A bomb: what the manifest says is the most that is unpacked."""
    rewritten(made, lambda _: None, journal_db=bytes(1 << 24))
    with pytest.raises(BackupError, match="has another size"):
        check(made)


def test_a_size_beyond_all_disks_is_refused(made: Path) -> None:
    """The manifest bounds what is unpacked, so it is bounded itself."""

    def huge(told: dict[str, Any]) -> None:
        told["members"]["journal.db"]["bytes"] = 1 << 60

    rewritten(made, huge)
    with pytest.raises(BackupError, match=r"manifest cannot be used \(members"):
        check(made)


def test_a_huge_manifest_is_not_read(made: Path) -> None:
    """Nor one that unpacks to much."""
    rewritten(made, lambda told: told.update(station=" " * 10_000_000))

    with pytest.raises(BackupError, match="larger than 65536 bytes"):
        check(made)


@pytest.mark.parametrize("name", ["../journal.db", "/etc/passwd", "journal.db/../x", "other.db"])
def test_other_names_than_the_known_are_refused(made: Path, name: str) -> None:
    """Nothing outside the folder is ever written, whatever the manifest asks for."""

    def renamed(told: dict[str, Any]) -> None:
        told["members"][name] = told["members"]["journal.db"]

    rewritten(made, renamed, **{name.replace(".", "_"): JOURNAL})
    with pytest.raises(BackupError, match="names other files"):
        check(made)


def test_one_without_a_journal_is_refused(made: Path) -> None:
    """There is nothing to restore."""
    rewritten(made, lambda told: told["members"].pop("journal.db"))

    with pytest.raises(BackupError, match="names other files"):
        check(made)


def test_a_member_that_is_named_and_not_there_is_refused(made: Path) -> None:
    """The manifest promises it."""

    def more(told: dict[str, Any]) -> None:
        told["members"]["inbox.db"] = told["members"]["journal.db"]

    rewritten(made, more)
    with pytest.raises(BackupError, match=r"inbox\.db is not in it once"):
        check(made)


def test_a_newer_format_is_named(made: Path) -> None:
    """Whatever else it says in its own way."""
    rewritten(made, lambda told: told.update(format=FORMAT + 1, members="elsewhere"))

    with pytest.raises(BackupError, match=r"a newer version made it \(format 2, this one knows 1"):
        check(made)


def test_a_journal_of_a_newer_version_is_named(made: Path) -> None:
    """It could be unpacked and not be used."""
    rewritten(made, lambda told: told.update(schema=len(MIGRATIONS) + 1))

    with pytest.raises(BackupError, match=r"a newer version wrote it .* install that version"):
        check(made)


@pytest.mark.parametrize(
    "key, value",
    [
        ("format", 0),
        ("format", None),
        ("made_at", "yesterday"),
        ("last_seq", -1),
        ("members", []),
        ("members", {"journal.db": {"bytes": 1, "sha256": "0"}}),
        ("station", 5),
    ],
)
def test_a_manifest_that_says_nonsense_is_refused(made: Path, key: str, value: object) -> None:
    """A sentence that names the place."""
    rewritten(made, lambda told: told.update({key: value}))

    with pytest.raises(BackupError, match=f"manifest cannot be used .{key}"):
        check(made)


@pytest.mark.parametrize("text", [b"", b"[]", b"{", b"\xff", b'{"format": 1}'])
def test_a_manifest_that_is_none_is_refused(made: Path, text: bytes) -> None:
    """No traceback, whatever it holds."""
    with zipfile.ZipFile(made, "w") as other:
        other.writestr(archive.MANIFEST, text)

    with pytest.raises(BackupError, match="manifest cannot be used"):
        check(made)


def test_a_zip_of_something_else_is_refused(tmp_path: Path) -> None:
    """It is a zip, and no backup."""
    with zipfile.ZipFile(tmp_path / "a", "w") as other:
        other.writestr("letter.txt", "dear")

    with pytest.raises(BackupError, match="no backup of brinewright"):
        check(tmp_path / "a")


def test_an_encrypted_one_is_refused(made: Path) -> None:
    """The library asks for a password in its own way."""
    data = bytearray(made.read_bytes())
    for mark, offset in ((b"PK\1\2", 8), (b"PK\3\4", 6)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 1)
    made.write_bytes(data)

    with pytest.raises(BackupError, match="spoilt or no backup"):
        check(made)


def test_a_folder_and_a_pipe_are_no_backup(tmp_path: Path) -> None:
    """A pipe would be waited for without end."""
    os.mkfifo(tmp_path / "pipe")

    for path in (tmp_path, tmp_path / "pipe", Path("/dev/null")):
        with pytest.raises(BackupError, match="it is no file"):
            check(path)


def test_what_is_not_there_is_said(tmp_path: Path) -> None:
    """A sentence with the path."""
    with pytest.raises(BackupError, match=r"a\.backup: cannot be read: No such file"):
        check(tmp_path / "a.backup")
