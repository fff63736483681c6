"""Who a file belongs to after it was written for a folder of another account."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from daemon.journal.disk import hand_over


def refused(*_: object) -> None:
    """What the system says to whom gives away a file without being root."""
    raise PermissionError("Operation not permitted")


def test_a_file_that_cannot_be_given_away_keeps_its_owner_and_gets_its_rights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only root may give away; the mode is that of the service all the same."""
    path = tmp_path / "journal.db"
    path.touch(0o600)
    monkeypatch.setattr(os, "fchown", refused)
    hand_over(path, tmp_path, 0o660)

    assert 0o660 == path.stat().st_mode & 0o777


def test_another_fault_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails is no matter of rights."""
    path = tmp_path / "journal.db"
    path.touch(0o600)

    def failing(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fchown", failing)
    with pytest.raises(OSError, match="Input/output"):
        hand_over(path, tmp_path, 0o660)
