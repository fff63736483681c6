"""A slice of the campaign of killed backups and restores."""

from __future__ import annotations

from pathlib import Path

from tests.campaigns import backup_kills


def test_backups_and_restores_killed_at_any_moment_leave_nothing_half(tmp_path: Path) -> None:
    """The copy is whole or not there; the journal is whole, and the old or the restored one."""
    found = backup_kills.campaign(tmp_path, count=3, seed=11, readings=3_000)

    assert [] == found.faults
    for verb in ("backup", "restore"):
        killed = [many for what, many in found.ends.items() if what.startswith(f"{verb} killed")]
        assert 3 == sum(killed)
