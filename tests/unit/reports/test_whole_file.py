"""A document is written whole, and not over another."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.reports.whole_file import write_document


def test_a_document_is_written_whole_and_not_over_another(tmp_path: Path) -> None:
    """It is there only once, unless force is given."""
    out = tmp_path / "sheet.html"
    write_document("one", out)
    with pytest.raises(FileExistsError):
        write_document("two", out)
    assert "one" == out.read_text()
    write_document("two", out, force=True)

    assert "two" == out.read_text()
