"""Recordings of any kind: samples, bad rows or one refusal, and nothing else."""

from __future__ import annotations

import io
import math
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Sample
from daemon.wire.recording import BadHeader, BadRow, samples

HEADER = "time,conductivity_mS_cm,temperature_C,pump"
fields = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["2026-03-02T08:00:00Z", "0001-01-01T00:00:00+23:59", "42.9", "24", "", '"']),
    st.floats().map(repr),
    st.datetimes().map(datetime.isoformat),
)
rows = st.lists(fields, max_size=6).map(",".join)
files = st.one_of(
    st.text(),
    st.lists(st.one_of(rows, st.text()), max_size=10).map(
        lambda lines: "\n".join([HEADER, *lines])
    ),
)


@given(files)
def test_any_text_is_read_without_a_traceback(text: str) -> None:
    """Every row is a finite sample or a bad row with its number, in order."""
    try:
        found = list(samples(io.StringIO(text, newline=""), "mix-1", "ct-1"))
    except BadHeader:
        return
    monos = [item.at.mono_s for item in found if isinstance(item, Sample)]
    lines = [item.line for item in found if isinstance(item, BadRow)]

    assert sorted(monos) == monos
    assert sorted(set(lines)) == lines
    for item in found:
        if isinstance(item, Sample):
            values = (item.conductivity_mS_cm, item.temperature_C)
            assert all(value is None or math.isfinite(value) for value in values)
            assert (None in values) == bool(item.fault)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 3_600_000),
            st.one_of(st.none(), st.floats(-1, 100)),
            st.one_of(st.none(), st.floats(-5, 45)),
        )
    )
)
def test_what_was_written_is_read(
    written: list[tuple[int, float | None, float | None]],
) -> None:
    """Every number comes back as it was, and every step of time to the millisecond."""
    wall, lines, clock, walls = datetime(2026, 3, 2, 8, tzinfo=UTC), [], 0, []
    for step_ms, conductivity, temperature in written:
        clock += step_ms
        walls.append(wall + timedelta(milliseconds=clock))
        values = ["" if value is None else repr(value) for value in (conductivity, temperature)]
        lines.append(",".join([walls[-1].isoformat(), *values, ""]))
    found = list(samples([HEADER + "\n", *(x + "\n" for x in lines)], "mix-1", "ct-1"))
    good = [item for item in found if isinstance(item, Sample)]

    assert [row[1:] for row in written] == [(s.conductivity_mS_cm, s.temperature_C) for s in good]
    assert walls == [s.at.wall for s in good]
    if good:
        assert math.isclose(good[-1].at.mono_s, (walls[-1] - walls[0]).total_seconds())
