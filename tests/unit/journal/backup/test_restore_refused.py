"""Restoring what is not to be relied on, where it may not be, or where there is no room."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daemon.journal.backup import archive
from daemon.journal.backup import restore as restore_module
from daemon.journal.backup.archive import BackupError
from daemon.journal.backup.restore import restore
from daemon.journal.cursors import cursors_path
from daemon.journal.lock import take_lock
from daemon.journal.replacement import note_path
from tests.parts.backups import LATER, backed_up, station


def refused(made: Path, journal: Path, said: str) -> None:
    """Assert that a restore is refused with a sentence, and that all is as it was."""
    before = {
        str(each): each.read_bytes()
        for each in journal.parent.rglob("*")
        if each.is_file() and not each.name.endswith(".lock")
    }
    with pytest.raises(BackupError, match=said):
        restore(made, journal, LATER)

    assert before == {
        str(each): each.read_bytes()
        for each in journal.parent.rglob("*")
        if each.is_file() and not each.name.endswith(".lock")
    }
    assert [] == [each for each in journal.parent.rglob("*") if ".restore" in each.name]


def test_a_journal_that_is_measured_into_is_not_replaced(tmp_path: Path) -> None:
    """By a lock that ends with the process, however that ends."""
    journal = station(tmp_path)
    made = backed_up(tmp_path)
    lock = take_lock(journal)
    try:
        refused(made, journal, "a brinewright measures there; stop it, then restore")
    finally:
        os.close(lock)


def test_a_journal_that_is_published_from_is_not_replaced(tmp_path: Path) -> None:
    """A publisher would go on with the cursors that were put aside."""
    journal = station(tmp_path)
    made = backed_up(tmp_path)
    lock = take_lock(cursors_path(journal))
    try:
        refused(made, journal, "a brinewright publishes there; stop it, then restore")
    finally:
        os.close(lock)


def change(made: Path, member: str, statement: str) -> None:
    """Change a database in a backup behind its back, and let the check sums fit."""
    with zipfile.ZipFile(made) as whole:
        parts = {name: whole.read(name) for name in whole.namelist()}
    database = made.with_name("changed.db")
    database.write_bytes(parts[member])
    with closing(sqlite3.connect(database, isolation_level=None)) as db:
        db.executescript(statement)
    parts[member] = database.read_bytes()
    database.unlink()
    told = json.loads(parts[archive.MANIFEST])
    digest = hashlib.sha256(parts[member]).hexdigest()
    told["members"][member] = {"bytes": len(parts[member]), "sha256": digest}
    parts[archive.MANIFEST] = json.dumps(told).encode()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as other:
        for name, text in parts.items():
            other.writestr(name, text)


@pytest.mark.parametrize(
    "member, statement, said",
    [
        (archive.JOURNAL, "UPDATE events SET facts = '{}' WHERE seq = 11", "event 11 was changed"),
        (archive.JOURNAL, "UPDATE memory SET state = '{}'", "the station's state was changed"),
        (archive.JOURNAL, "CREATE TRIGGER x AFTER INSERT ON events BEGIN SELECT 1; END", "tables"),
        (
            archive.JOURNAL,
            "DELETE FROM events WHERE seq > 40; DELETE FROM memory",
            "of another journal",
        ),
        (archive.JOURNAL, "UPDATE identity SET name = 'other'", "of another journal"),
        (archive.JOURNAL, "PRAGMA user_version = 4", "tables are not those|of another journal"),
        (archive.CURSORS, "CREATE TABLE more (id)", r"cursors\.db in it cannot be used"),
        (archive.CURSORS, "DROP TABLE cursors", r"cursors\.db in it cannot be used"),
        (archive.INBOX, "CREATE VIEW v AS SELECT 1", r"inbox\.db in it cannot be used"),
    ],
)
def test_what_does_not_prove_true_is_refused(
    tmp_path: Path, member: str, statement: str, said: str
) -> None:
    """Even where size and check sum are those of the manifest."""
    journal = station(tmp_path)
    made = backed_up(tmp_path)
    change(made, member, statement)

    refused(made, journal, said)


def test_a_full_disk_is_said_before_anything_is_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the megabytes that are needed and those that there are."""
    journal = station(tmp_path)
    made = backed_up(tmp_path)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=2_000_000))

    refused(made, journal, r"the backup needs 17 MB, and 2 MB are free")


@pytest.mark.parametrize("where", ["_unpack", "_make_ready", "begin"])
def test_a_disk_that_fills_up_in_the_middle_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Wherever it is until then."""
    journal = station(tmp_path)
    made = backed_up(tmp_path)
    whole: Callable[..., object] = getattr(restore_module, where)

    def full(*words: object) -> object:
        if where != "begin":
            whole(*words)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restore_module, where, full)
    refused(made, journal, "No space left on device; nothing was restored")


def test_the_way_back_from_a_full_note_is_clear(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A note that may not be on the disk is taken back, for nothing was moved yet."""
    from daemon.journal import replacement

    journal = station(tmp_path)
    made = backed_up(tmp_path)

    def broken(path: Path) -> None:
        if path == journal.parent:
            raise OSError(5, "Input/output error")

    monkeypatch.setattr(replacement, "force", broken)
    refused(made, journal, "Input/output error; nothing was restored")
    assert not note_path(journal).exists()
