"""A short run of the benchmark of the pages of batches."""

from __future__ import annotations

import pytest

from tests.benchmarks import batch_pages


def test_every_page_and_curve_has_its_cost(capsys: pytest.CaptureFixture[str]) -> None:
    """Of a few batches and some minutes, in the form that the table of figures reads."""
    batch_pages.main(["--batches", "8", "--days", "0.02"])
    lines = capsys.readouterr().out.splitlines()

    assert 6 == len(lines)
    assert all(3 == len(line.split("  ")) for line in lines)
