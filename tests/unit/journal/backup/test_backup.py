"""Making a backup: what is in it belongs together, and what is there is left alone."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from daemon.journal.backup import archive, creation
from daemon.journal.backup.archive import BackupError, Manifest
from daemon.journal.backup.copies import copy, snapshot
from daemon.journal.backup.creation import BackupExistsError, create
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.restore import check
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.errors import JournalError, JournalMissingError, WrittenMeanwhileError
from daemon.journal.inbox import Inbox, beside
from daemon.journal.reader import Reader
from daemon.journal.replacement import Replacement, begin
from daemon.journal.schema import MIGRATIONS
from daemon.journal.writer import Writer
from tests.parts.backups import (
    CONFIGURATION,
    NOW,
    SINK,
    backed_up,
    cursors_of,
    entries_of,
    fill,
    keep,
    names,
    source,
    station,
    unpacked,
)
from tests.parts.snapshots import snapshots_in


def waits(inbox: Path, journal: Path) -> list[str]:
    """Ids of the commands that measuring would take next, with these two files."""
    found = Reader(journal).checkpoint()
    known = int(re.findall(r'"commands_taken":(\d+)', found[1])[0]) if found else 0
    box = Inbox(inbox)
    return [each.id for each in box.after(box.go_on_from(known))]


def test_a_backup_holds_all_that_the_station_has(tmp_path: Path) -> None:
    """Every entry, the state, the cursors, what waits in the inbox, and the configuration."""
    journal = station(tmp_path)
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)
    copied = unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert entries_of(journal) == entries_of(copied)
    assert Reader(journal).checkpoint() == Reader(copied).checkpoint()
    assert snapshots_in(Reader(journal)) == snapshots_in(Reader(copied))
    assert cursors_of(cursors_path(journal)) == cursors_of(tmp_path / "copy" / archive.CURSORS)
    assert ["id-3"] == waits(tmp_path / "copy" / archive.INBOX, copied)
    assert CONFIGURATION == (tmp_path / "copy" / archive.CONFIGURATION).read_bytes()
    assert made == check(tmp_path / "a.backup")
    assert ("quarantine-wing", NOW.wall, Reader(journal).identity(), max(entries_of(journal))) == (
        made.station, made.made_at, made.identity, made.last_seq,
    )  # fmt: skip
    assert (["mqtt-password"], [], 0, "") == (
        made.left_out, made.missing, made.damaged, made.spoilt,
    )  # fmt: skip


def test_nothing_is_left_or_made_beside_what_is_copied(tmp_path: Path) -> None:
    """No log is made by looking at a journal that nobody writes, and no folder stays."""
    station(tmp_path)
    before = names(tmp_path)
    backed_up(tmp_path)

    assert before | {"a.backup"} == names(tmp_path)


def test_only_what_has_the_files_is_copied(tmp_path: Path) -> None:
    """A station that publishes nothing and was never asked for anything has two files fewer."""
    with Writer(tmp_path / "journal.db") as writer:
        fill(writer, 0, 3)
    made = create(source(tmp_path), tmp_path / "a.backup", NOW)

    assert {archive.JOURNAL, archive.CONFIGURATION} == set(made.members)
    assert [] == made.missing


def test_measuring_and_publishing_go_on_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries written and acknowledged while it copies are not in it, and no cursor is ahead."""
    journal, steps = station(tmp_path), 0
    with Writer(journal) as writer, Cursors(cursors_path(journal)) as cursors:
        last, whole = writer.last_seq, entries_of(journal)
        cursor = cursor_name(SINK, writer.identity)

        def live(source: sqlite3.Connection, to: Path) -> None:
            nonlocal steps
            steps += 1
            fill(writer, 100 * steps, 5)
            cursors.advance(cursor, writer.last_seq)
            copy(source, to)
            fill(writer, 100 * steps + 50, 5)

        monkeypatch.setattr(creation, "copy", live)
        made = create(source(tmp_path), tmp_path / "a.backup", NOW)
    copied = unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert 3 == steps
    assert last == made.last_seq
    assert whole == entries_of(copied)
    assert last - 5 == cursors_of(tmp_path / "copy" / archive.CURSORS)[cursor]


@contextmanager
def between(monkeypatch: pytest.MonkeyPatch, name: str, happens: object) -> Iterator[None]:
    """Let something happen just before the snapshot of one file is taken."""

    @contextmanager
    def late(path: Path) -> Iterator[sqlite3.Connection]:
        if path.name == name and callable(happens):
            happens()
        with snapshot(path) as db:
            yield db

    with monkeypatch.context() as patched:
        patched.setattr(creation, "snapshot", late)
        yield


@pytest.mark.parametrize("which", ["journal-cursors.db", "journal.db", "journal-inbox.db"])
def test_entries_and_cursors_that_come_between_two_snapshots_leave_no_cursor_ahead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    """A cursor ahead of its journal would step over the entries that come under those numbers."""
    journal = station(tmp_path)
    with Writer(journal) as writer, Cursors(cursors_path(journal)) as cursors:
        cursor = cursor_name(SINK, writer.identity)

        def more() -> None:
            fill(writer, 500, 20)
            cursors.advance(cursor, writer.last_seq)

        with between(monkeypatch, which, more):
            made = create(source(tmp_path), tmp_path / "a.backup", NOW)
    unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert cursors_of(tmp_path / "copy" / archive.CURSORS)[cursor] <= made.last_seq


@pytest.mark.parametrize("which, waiting", [("journal.db", []), ("journal-inbox.db", ["id-3"])])
def test_a_command_that_is_carried_out_between_two_snapshots_is_done_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str, waiting: list[str]
) -> None:
    """Where the copied journal has its answer it is done, and where it has not it waits."""
    journal = station(tmp_path)
    with Writer(journal) as writer:

        def carry_out() -> None:
            keep(writer, 99, 3, "id-3")
            Inbox(beside(journal)).taken(3)

        with between(monkeypatch, which, carry_out):
            backed_up(tmp_path)
    copied = unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert waiting == waits(tmp_path / "copy" / archive.INBOX, copied)


def test_a_command_whose_answer_came_before_the_state_was_kept_is_not_done_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The state is kept with the last of much that was held back; the answers tell."""
    journal = station(tmp_path)
    with Writer(journal) as writer:
        keep(writer, 99, 2, "id-3")  # the state is behind its answer
        Inbox(beside(journal)).taken(3)
        Inbox(beside(journal)).submit("id-4", "kim", "cli", "batch.note", "mix-1", {"text": "x"})
        with between(monkeypatch, "journal-inbox.db", lambda: Inbox(beside(journal)).taken(4)):
            backed_up(tmp_path)
    copied = unpacked(tmp_path / "a.backup", tmp_path / "copy")

    assert ["id-4"] == waits(tmp_path / "copy" / archive.INBOX, copied)


def test_a_writer_that_begins_while_nobody_wrote_has_it_copied_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Measuring that starts in the middle must not leave a mixture."""
    journal = station(tmp_path)
    begun: list[Writer] = []

    def copy_late(db: sqlite3.Connection, to: Path) -> None:
        if not begun:
            begun.append(Writer(journal))
            fill(begun[0], 200, 5)
            begun[0]._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # noqa: SLF001 - in time
        copy(db, to)

    monkeypatch.setattr(creation, "copy", copy_late)
    try:
        made = create(source(tmp_path), tmp_path / "a.backup", NOW)
        last = begun[0].last_seq
    finally:
        begun[0].close()

    assert last == made.last_seq
    assert ("", 0) == (made.spoilt, made.damaged)


def test_one_that_is_written_again_and_again_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a sentence, and nothing left behind."""
    station(tmp_path)
    before = names(tmp_path)

    def never(*_: object) -> None:
        raise WrittenMeanwhileError

    monkeypatch.setattr(creation, "copy", never)
    with pytest.raises(BackupError, match="try again"):
        backed_up(tmp_path)
    assert before == names(tmp_path)


def test_a_file_that_is_there_stays_unless_it_may_be_replaced(tmp_path: Path) -> None:
    """Last week's backup is not lost by a typing error."""
    station(tmp_path)
    (tmp_path / "a.backup").write_text("last week's")
    with pytest.raises(BackupExistsError, match="exists already; name another, or --force"):
        backed_up(tmp_path)
    assert "last week's" == (tmp_path / "a.backup").read_text()
    create(source(tmp_path), tmp_path / "a.backup", NOW, replace=True)

    assert "quarantine-wing" == check(tmp_path / "a.backup").station


@pytest.mark.parametrize("own", ["journal.db", "journal-cursors.db", "inbox/journal-inbox.db"])
def test_what_is_backed_up_is_never_replaced_by_its_backup(tmp_path: Path, own: str) -> None:
    """Whatever may be replaced, and by whichever name it is called."""
    station(tmp_path)
    (tmp_path / "link").symlink_to(tmp_path / own)
    for name in (own, "link"):
        with pytest.raises(BackupExistsError, match="this is a file of the station"):
            create(source(tmp_path), tmp_path / name, NOW, replace=True)

    assert Proof() == prove(tmp_path / "journal.db")


def test_a_file_that_comes_to_be_meanwhile_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two at once: the second is told, and overwrites nothing; on a disk without links too."""
    station(tmp_path)
    whole = archive.pack

    def slow(*words: object) -> Manifest:
        (tmp_path / "a.backup").write_text("another's")
        return whole(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(archive, "pack", slow)
    for links in (True, False):
        (tmp_path / "a.backup").unlink(missing_ok=True)
        with monkeypatch.context() as patched:
            if not links:
                patched.setattr(Path, "hardlink_to", no_links)
            with pytest.raises(BackupExistsError):
                backed_up(tmp_path)
        assert "another's" == (tmp_path / "a.backup").read_text()


def no_links(*_: object) -> None:
    """What disks of other systems answer."""
    raise PermissionError(1, "Operation not permitted")


def test_a_disk_without_links_takes_it_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stick from the shop knows neither links nor owners."""
    station(tmp_path)
    monkeypatch.setattr(Path, "hardlink_to", no_links)
    backed_up(tmp_path)

    assert "quarantine-wing" == check(tmp_path / "a.backup").station


@pytest.mark.parametrize(
    "to, said",
    [
        ("none/a.backup", "there is no folder"),
        (".", "this is no file"),
        ("pipe", "this is no file"),
        ("x" * 300, "File name too long"),
    ],
)
def test_where_nothing_can_be_written_is_said(tmp_path: Path, to: str, said: str) -> None:
    """A sentence each."""
    station(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(BackupError, match=said):
        create(source(tmp_path), tmp_path / to, NOW)


def test_without_a_journal_there_is_nothing_to_back_up(tmp_path: Path) -> None:
    """Told as everywhere; an empty file, as a kill in the first instant leaves it, is none."""
    with pytest.raises(JournalMissingError, match="there is none yet"):
        backed_up(tmp_path)
    (tmp_path / "journal.db").touch()
    with pytest.raises(JournalMissingError, match="there is none yet"):
        backed_up(tmp_path)


def test_a_journal_of_a_newer_version_is_not_copied(tmp_path: Path) -> None:
    """Nobody here could say whether it is whole."""
    station(tmp_path)
    with closing(sqlite3.connect(tmp_path / "journal.db")) as db:
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")

    with pytest.raises(JournalError, match="a newer version wrote it"):
        backed_up(tmp_path)


def test_a_restore_that_was_interrupted_comes_first(tmp_path: Path) -> None:
    """What is there is half of this and half of that."""
    journal = station(tmp_path)
    begin(journal, Replacement("aa", "journal.db.restore-x", ()))

    with pytest.raises(JournalError, match="a restore was interrupted; start 'brinewright run'"):
        backed_up(tmp_path)


def test_a_full_disk_is_said_before_and_in_the_middle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The card that is measured onto must not fill up by it, and nothing half is left."""
    station(tmp_path)
    before = names(tmp_path)
    usage = shutil.disk_usage(tmp_path)
    with monkeypatch.context() as patched:
        patched.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1 << 20))
        with pytest.raises(BackupError, match=r"needs up to 17 MB .* and 1 MB are free"):
            backed_up(tmp_path)
    full = OSError(28, "No space left on device")
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(full))
    with pytest.raises(
        BackupError, match=r"a\.backup: No space left on device; nothing was backed"
    ):
        backed_up(tmp_path)

    assert before == names(tmp_path)
