"""What is written down of how a sink fares, and how seldom."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.journal.cursors import Cursors, Refusal
from daemon.publishing.sink_health import SinkHealth

NOON = datetime(2031, 5, 4, 12, tzinfo=UTC)


class Counted(Cursors):
    """Cursors that remember each write of a sink's record."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.written: list[str] = []

    def failed(self, sink: str, why: str, at: datetime) -> None:
        """Count."""
        super().failed(sink, why, at)
        self.written.append(why)

    def worked(self, sink: str, at: datetime) -> None:
        """Count."""
        super().worked(sink, at)
        self.written.append("")


def test_it_writes_at_each_change_and_else_every_ten_seconds(tmp_path: Path) -> None:
    """A minute of working is seven writes; each new error is one; coming back is one."""
    now_s = 0.0
    with Counted(tmp_path / "cursors.db") as cursors:
        health = SinkHealth(cursors, "mqtt", lambda: now_s, lambda: NOON)
        for now_s in range(61):  # noqa: B007 - the clock looks at it
            health.worked()
        assert [""] * 7 == cursors.written

        cursors.written.clear()
        for exc in (OSError("gone"), OSError("gone"), OSError("barred"), OSError()):
            health.failed(exc)
        health.worked()
        health.worked()

    assert ["gone", "barred", "OSError", ""] == cursors.written


def test_what_cannot_be_written_is_borne_and_written_later(tmp_path: Path) -> None:
    """Following goes on without the record, and the next call tries again."""
    closed, path = Cursors(tmp_path / "a.db"), tmp_path / "b.db"
    closed.close()
    with Counted(path) as cursors:
        health = SinkHealth(closed, "mqtt", lambda: 0.0, lambda: NOON)
        health.failed(OSError("gone"))
        health.cursors = cursors
        health.failed(OSError("gone"))

    assert ["gone"] == cursors.written


def test_what_is_refused_is_reported_once_a_minute(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The first at once, the others together, none left untold while the sink goes on."""
    now_s = 0.0
    with Cursors(tmp_path / "cursors.db") as cursors:
        health = SinkHealth(cursors, "influx", lambda: now_s, lambda: NOON)
        health.refused(Refusal((4,), "too old"))
        health.refused(Refusal((5, 9), "too old"))
        health.refused(Refusal((11,), "too large"))
        now_s = 59.0
        health.worked()
        assert ["influx refuses entry 4 for good, left out there: too old"] == (caplog.messages)
        now_s = 60.0
        health.worked()
        now_s = 200.0
        health.worked()

    assert [
        "influx refuses 3 entries, 5 to 11, for good, left out there: too large"
    ] == caplog.messages[1:]
