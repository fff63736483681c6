"""The bell beside the inbox: who rings is noticed at once, and without it nothing fails."""

from __future__ import annotations

import os
import select
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.journal.bell import MOST_RINGS, Bell, bell_path, ring


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    """Where the inbox of a journal is; only its folder is there."""
    (tmp_path / "inbox").mkdir()
    return tmp_path / "inbox" / "journal-inbox.db"


@pytest.fixture
def bell(inbox: Path) -> Iterator[Bell]:
    """The bell of a measuring process."""
    bell = Bell(inbox)
    bell.hang()
    yield bell
    bell.close()


def rings(bell: Bell) -> bool:
    """Whether it has rung and was not silenced yet."""
    descriptor = bell.fileno()
    assert descriptor is not None
    return bool(select.select([descriptor], [], [], 0.0)[0])


def open_descriptors() -> int:
    """How many this process has."""
    return len([*Path("/proc/self/fd").iterdir()])


def test_it_rings_until_it_is_silenced_however_often_it_was_rung(bell: Bell, inbox: Path) -> None:
    """And again after that."""
    before = rings(bell)
    ring(inbox)
    ring(inbox)
    after = rings(bell)
    bell.silence()
    silent = rings(bell)
    ring(inbox)

    assert (False, True, False, True) == (before, after, silent, rings(bell))


def test_to_silence_it_while_nobody_rang_is_no_trouble(bell: Bell) -> None:
    """A signal may have woken who waits."""
    bell.silence()

    assert not rings(bell)


def test_the_inbox_s_group_may_ring_whatever_the_umask(inbox: Path) -> None:
    """Whoever may leave a command may ring for it."""
    before, bell = os.umask(0o077), Bell(inbox)
    try:
        bell.hang()
    finally:
        os.umask(before)
        bell.close()

    assert "prw-rw----" == stat.filemode(bell_path(inbox).stat().st_mode)


def test_nobody_is_troubled_where_there_is_none_or_nobody_listens(inbox: Path) -> None:
    """Before measuring ever ran, and after it was killed."""
    ring(inbox)
    before = bell_path(inbox).exists()
    bell = Bell(inbox)
    bell.hang()
    bell.close()
    ring(inbox)

    assert (False, True) == (before, bell_path(inbox).is_fifo())


def test_a_full_pipe_holds_nobody_up(bell: Bell, inbox: Path) -> None:
    """It rings already."""
    with bell_path(inbox).open("wb", buffering=0) as pipe:
        pipe.write(bytes(MOST_RINGS))
    ring(inbox)
    bell.silence()

    assert not rings(bell)


def test_one_that_a_killed_process_left_is_replaced(bell: Bell, inbox: Path) -> None:
    """Who rings then is noticed by the new process alone."""
    again = Bell(inbox)
    again.hang()
    ring(inbox)

    assert (False, True) == (rings(bell), rings(again))
    again.close()


@pytest.mark.parametrize("loss", ["removed", "moved", "a file in its place"])
def test_one_that_is_not_in_its_place_any_more_is_hung_again(
    bell: Bell, inbox: Path, loss: str
) -> None:
    """At the next look; until then the commands wait for that."""
    path = bell_path(inbox)
    if loss == "moved":
        path.rename(path.with_name("elsewhere"))
    else:
        path.unlink()
    if loss == "a file in its place":
        path.write_bytes(b"")
        ring(inbox)
        assert b"" == path.read_bytes()
    bell.hang()
    ring(inbox)

    assert rings(bell)


def test_the_same_one_stays_while_it_is_in_its_place(bell: Bell, inbox: Path) -> None:
    """A ring that is not taken yet is not lost by looking after the bell."""
    ring(inbox)
    bell.hang()

    assert rings(bell)


def test_half_a_bell_that_a_killed_process_left_is_no_obstacle(inbox: Path) -> None:
    """Killed between making one and putting it in its place."""
    path = bell_path(inbox)
    os.mkfifo(path.with_name(f"{path.name}.part"))
    bell = Bell(inbox)
    bell.hang()
    ring(inbox)

    assert rings(bell)
    bell.close()


def test_no_descriptor_is_left_open(inbox: Path) -> None:
    """By ringing, by a new bell in the place of a lost one, or by closing twice."""
    before = open_descriptors()
    bell = Bell(inbox)
    for _ in range(3):
        bell.hang()
        ring(inbox)
        bell_path(inbox).unlink()
    bell.close()
    bell.close()

    assert before == open_descriptors()


@pytest.mark.parametrize("obstacle", ["no folder", "a folder in its place"])
def test_without_a_place_for_it_there_is_none(inbox: Path, obstacle: str) -> None:
    """Measuring goes on, and looks by the clock."""
    if obstacle == "no folder":
        inbox.parent.rmdir()
    else:
        (bell_path(inbox) / "within").mkdir(parents=True)
    before, bell = open_descriptors(), Bell(inbox)
    bell.hang()
    bell.silence()
    ring(inbox)

    assert before == open_descriptors()
    assert bell.fileno() is None
    bell.close()
