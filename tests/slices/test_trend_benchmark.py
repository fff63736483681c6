"""A slice of the benchmark of trends: a journal of hours, and no figure is asserted."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.benchmarks import trend_year


def test_each_span_holds_every_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The benchmark compares each answer with what the journal counts, to the widest buckets."""
    monkeypatch.setattr(trend_year, "DAY_S", 4 * 3600)
    monkeypatch.setattr(trend_year, "ROUNDS", 1)
    monkeypatch.setattr(trend_year, "START", trend_year.START + timedelta(days=364.5))
    path = tmp_path / "journal.db"
    written = trend_year.write(path, 1)
    trend_year.make_blocks(path)
    steps, _, longest_s, _ = trend_year.fill(path)

    monkeypatch.setattr(trend_year, "STEPS", 3)
    assert trend_year.keep_up(tmp_path) > 0.0
    assert (4 * 3600, True) == (written, steps >= 3 and longest_s > 0)
    found = [
        trend_year.measure(path, 1, span, words)
        for words, span in trend_year.SPANS
        if words in ("ten minutes", "a day", "a week", "a month", "a year")
    ]
    sources = ["readings", "minutes", "ten minutes", "hours", "half days"]
    assert sources == [each.source for each in found]
    assert [4 * 3600] * 4 == [each.readings for each in found[1:]]
