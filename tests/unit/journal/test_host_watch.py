"""What the service runs on is looked at once a minute, and at once when something fails."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from daemon.entries import Follower, Instant
from daemon.journal.host_watch import HostWatch, free_bytes
from tests.parts.numbered import START


def at(second: float) -> Instant:
    """A moment, so many seconds after the start."""
    return Instant(START + timedelta(seconds=second), second)


def test_a_look_is_taken_once_a_minute(tmp_path: Path) -> None:
    """Ten minutes of turns twice a second look ten times, by the monotonic clock alone."""
    lookout = HostWatch(tmp_path / "journal.db")

    looks = [lookout.look(at(half / 2), 0) for half in range(1200)]

    assert [0.0, 60.0, 120.0] == [seen.at.mono_s for seen in looks if seen][:3]
    assert 10 == sum(seen is not None for seen in looks)


def test_a_look_tells_disk_losses_and_publishers(tmp_path: Path) -> None:
    """The space is that of the journal's disk; what others count is passed on as it is."""
    behind = Follower("mqtt", 12, 30.0, "no broker")
    lookout = HostWatch(tmp_path / "journal.db", lambda _now: (behind,))

    seen = lookout.look(at(5.0), 3)

    assert seen is not None
    assert seen.storage_free_bytes is not None
    assert seen.storage_free_bytes > 0
    assert (3, (behind,)) == (seen.entries_lost, seen.followers)
    assert lookout.look(at(6.0), 3) is None
    assert lookout.look(at(6.0), 4, at_once=True) is not None


def test_a_folder_that_is_not_there_is_no_full_disk(tmp_path: Path) -> None:
    """Space that nobody can tell is not told as none."""
    assert free_bytes(tmp_path / "gone") is None
