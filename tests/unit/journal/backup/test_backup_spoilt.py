"""Backing up what the disk has spoilt, what others own, and where something was left by a kill."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import IO

import pytest

from daemon.entries import Event
from daemon.journal.backup import archive
from daemon.journal.backup.archive import BackupError, Manifest
from daemon.journal.backup.copies import copy, snapshot
from daemon.journal.backup.creation import create
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.restore import check
from daemon.journal.backup.workplace import PREFIX, workplace
from daemon.journal.cursors import cursors_path
from daemon.journal.disk import hand_over
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.writer import SKIPPED_PER_BOOT, Writer
from tests.parts.backups import (
    NOBODY,
    NOW,
    as_nobody,
    backed_up,
    entries_of,
    fill,
    names,
    open_folder,
    source,
    station,
    unpacked,
)
from tests.parts.events import facts_in
from tests.parts.reading_rows import change_readings

PAGE = 4096


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that everybody may enter."""
    with open_folder() as found:
        yield found


def test_of_a_spoilt_journal_what_proves_true_is_kept(tmp_path: Path) -> None:
    """A card that dies is copied as far as it goes; it is told, and can be restored as it is."""
    journal = station(tmp_path)
    whole = entries_of(journal)
    with closing(sqlite3.connect(journal, isolation_level=None)) as db:
        db.execute("UPDATE events SET facts = '{}' WHERE seq = 11")
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)
    copied = unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert "event 11 was changed" == made.spoilt
    found = entries_of(copied)
    (seq, told), *_ = [(n, e) for n, e in found.items() if n not in whole]
    assert isinstance(told, Event)
    assert "journal salvaged" == facts_in(told)["state"]
    assert seq > max(whole) + SKIPPED_PER_BOOT
    assert {n: e for n, e in whole.items() if n != 11} == {
        n: e for n, e in found.items() if n != seq
    }
    assert made.identity != Reader(journal).identity()
    assert Proof() == prove(copied)


def test_pages_of_noise_are_copied_around(tmp_path: Path) -> None:
    """Half of the file is overwritten: what is left of it is kept."""
    journal = station(tmp_path, entries=4000)
    with journal.open("r+b") as disk:
        disk.seek(30 * PAGE)
        disk.write(os.urandom(20 * PAGE))
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)

    assert "" != made.spoilt
    assert len(entries_of(unpacked(tmp_path / "a.backup", tmp_path / "copy"))) > 200


@pytest.mark.parametrize("noise", [b"no database" * 1000, b"SQLite format 3\0" + bytes(4080)])
def test_a_journal_of_which_nothing_is_left_is_not_backed_up(tmp_path: Path, noise: bytes) -> None:
    """An empty backup over a good one of last week would be worse than none."""
    journal = station(tmp_path)
    journal.write_bytes(noise)

    with pytest.raises(BackupError, match=r"spoilt on the disk .*, and nothing in it can be read"):
        backed_up(tmp_path)
    assert not (tmp_path / "a.backup").exists()


def test_old_rows_that_were_changed_are_counted(tmp_path: Path) -> None:
    """They are told one by one where they are read; the journal is not spoilt by them."""
    journal = tmp_path / "journal.db"
    with Writer(journal) as writer:
        fill(writer, 0, 3000)
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (500, 480)).fetchall()))
    with closing(sqlite3.connect(journal, isolation_level=None)) as db:
        change_readings(db, "salinity = 35.0", "seq IN (700, 701)")
        db.execute("UPDATE summaries SET salinity_max = 36.0 WHERE first_seq = 1")
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)

    assert ("", 3) == (made.spoilt, made.damaged)


@pytest.mark.parametrize(
    "which, said",
    [
        ("journal-cursors.db", "how far publishers are .* they begin at the first entry"),
        (
            "inbox/journal-inbox.db",
            "the inbox of commands .* what waits in it is not in the backup",
        ),
    ],
)
@pytest.mark.parametrize("noise", [b"no database" * 1000, "table"])
def test_a_small_file_that_is_spoilt_is_left_out_and_told(
    tmp_path: Path, which: str, said: str, noise: bytes | str
) -> None:
    """The journal is worth more than they are."""
    station(tmp_path)
    if isinstance(noise, bytes):
        (tmp_path / which).write_bytes(noise)
    else:
        with closing(sqlite3.connect(tmp_path / which)) as db:
            db.execute("CREATE TABLE of_another_program (id INTEGER)")
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)

    (told,) = made.missing
    assert re.search(said, told)
    assert 3 == len(made.members)


@pytest.mark.parametrize("which", ["journal-cursors.db", "inbox/journal-inbox.db"])
def test_a_small_file_that_holds_nothing_is_no_loss(tmp_path: Path, which: str) -> None:
    """Left by a kill in the instant that it was made."""
    station(tmp_path)
    (tmp_path / which).write_bytes(b"")
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)

    assert ([], 3) == (made.missing, len(made.members))


# --- who may, and what a kill leaves -------------------------------------------------------------


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can take rights away from itself")
@pytest.mark.parametrize("state", ["live", "ended", "killed"])
def test_who_may_only_read_the_files_can_back_them_up(folder: Path, state: str) -> None:
    """A keeper's group may read the journal and not write its folder."""
    records, own = folder / "records", folder / "own"
    records.mkdir()
    own.mkdir(mode=0o700)
    os.chown(own, NOBODY, NOBODY)
    journal = station(records)
    writer = Writer(journal)
    fill(writer, 300, 3)
    if state == "killed":
        shutil.copytree(records, folder / "left")
    whole = entries_of(journal)
    if state != "live":
        writer.close()
    if state == "killed":
        shutil.rmtree(records)
        (folder / "left").rename(records)
    for file in records.glob("*.db*"):
        file.chmod(0o640)
        os.chown(file, 0, NOBODY)
    records.chmod(0o750)
    os.chown(records, 0, NOBODY)
    # The inbox is the one place that a keeper writes to.
    for place in (records / "inbox", *(records / "inbox").iterdir()):
        os.chown(place, 0, NOBODY)

    said = as_nobody(lambda: create(source(records), own / "a.backup", NOW))
    writer.close()

    assert "" == said
    assert whole == entries_of(unpacked(own / "a.backup", own / "copy"))
    assert (NOBODY, 0o600) == (
        (own / "a.backup").stat().st_uid, (own / "a.backup").stat().st_mode & 0o777,
    )  # fmt: skip


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can take rights away from itself")
def test_who_may_not_read_or_write_is_told_which_file(folder: Path) -> None:
    """One sentence, and nothing is left."""
    journal = station(folder)
    (folder / "own").mkdir()
    os.chown(folder / "own", NOBODY, NOBODY)
    for file in folder.glob("journal*"):
        file.chmod(0o644)

    closed = as_nobody(lambda: create(source(folder), folder / "a.backup", NOW))
    cursors_path(journal).chmod(0o600)
    secret = as_nobody(lambda: create(source(folder), folder / "own" / "a.backup", NOW))

    said = f"BackupError: {folder}/a.backup: Permission denied; nothing was backed up"
    assert said == closed
    assert f"{cursors_path(journal)} may be read by root alone, and you are nobody" in secret
    assert set() == names(folder / "own")


def test_a_folder_that_a_kill_left_is_removed_by_the_next_and_a_living_one_s_is_not(
    tmp_path: Path,
) -> None:
    """A dead process holds no lock."""
    dead = tmp_path / f"{PREFIX}dead"
    dead.mkdir()
    (dead / "journal.db").write_bytes(bytes(1000))
    with workplace(tmp_path) as living, workplace(tmp_path) as other:
        assert {living.name, other.name} == names(tmp_path)

    assert set() == names(tmp_path)


def test_two_backups_at_once_do_not_disturb_one_another(tmp_path: Path) -> None:
    """A timer and a keeper in the same minute."""
    station(tmp_path)
    threads = [
        threading.Thread(target=backed_up, args=(tmp_path, f"{name}.backup")) for name in "abcd"
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    digests = {check(tmp_path / f"{name}.backup").members[archive.JOURNAL] for name in "abcd"}
    assert 1 == len(digests)


def test_what_is_written_is_forced_piece_by_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A gigabyte that waits to go to the card would hold up the writer's own forcing."""
    with Writer(tmp_path / "journal.db", 1e9) as writer:
        for first in range(0, 200, 100):
            fill(writer, first, 100)
        db = writer._db  # noqa: SLF001 - to make it large at once
        db.execute("CREATE TABLE filler AS SELECT randomblob(24000000) AS bytes")
    forced: list[int] = []
    monkeypatch.setattr(os, "fdatasync", lambda _: forced.append(1))

    with snapshot(tmp_path / "journal.db") as db:
        copy(db, tmp_path / "copy.db")
    with (tmp_path / "copy.db").open("rb") as file:
        copied = len(forced)
        count_packed(tmp_path, file)

    assert copied >= 2
    assert len(forced) - copied >= 2


def count_packed(folder: Path, _: IO[bytes]) -> None:
    """Pack the copy of a large file."""
    from daemon.journal.backup.copies import CopyThrottle

    archive.pack(
        folder / "packed",
        {archive.JOURNAL: folder / "copy.db"},
        lambda members: Manifest(1, "", 5, "", NOW.wall, "", 0, None, members, [], [], 0, ""),
        CopyThrottle().wait,
    )


def test_files_are_given_to_whom_the_folder_belongs(tmp_path: Path) -> None:
    """What root makes in the service's folder must be the service's."""
    if os.geteuid() == 0:
        os.chown(tmp_path, NOBODY, NOBODY)
    (tmp_path / "a").touch(mode=0o600)
    hand_over(tmp_path / "a", tmp_path, 0o660)
    found, folder = (tmp_path / "a").stat(), tmp_path.stat()

    assert (folder.st_uid, folder.st_gid, 0o660) == (
        found.st_uid, found.st_gid, found.st_mode & 0o777,
    )  # fmt: skip
