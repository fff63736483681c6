"""Recordings of any kind: samples, bad rows or one refusal, and nothing else."""

from __future__ import annotations

import io
import math
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Sample
from daemon.wire.no_recording import NoRecording
from daemon.wire.recording import BadRow, Destination, Recording, samples
from daemon.wire.text_lines import TextLines

HEADER = "time,conductivity_mS_cm,temperature_C,pump"
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
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
    except NoRecording:
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


# --- dialects -----------------------------------------------------------------------------------

ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1")
SEPARATORS = (",", ";", "\t", "|")
CONDUCTIVITIES = {"conductivity_mS_cm": 1, "conductivity_µS_cm": 1000, "Conductivity (uS/cm)": 1000}
ZONES = (UTC, timezone(timedelta(hours=-9, minutes=-30)), timezone(timedelta(hours=13)))


@st.composite
def dialects(draw: st.DrawFn) -> tuple[list[tuple[int, int, int | None]], bytes, list[int]]:
    """Readings as whole numbers, one way to write them as a file, and where it is cut to pieces.

    They are seconds, thousandths of mS/cm and hundredths of °C.
    """
    rows = draw(
        st.lists(
            st.tuples(
                st.integers(1, 600), st.integers(0, 99_999), st.none() | st.integers(-99, 4500)
            ),
            min_size=1, max_size=12,
        )
    )  # fmt: skip
    separator = draw(st.sampled_from(SEPARATORS))
    sign = draw(st.sampled_from(".,"))
    quote = '"' if sign == separator or draw(st.booleans()) else ""
    name = draw(st.sampled_from(sorted(CONDUCTIVITIES)))
    zone = draw(st.sampled_from(ZONES))
    gap = draw(st.sampled_from("T "))
    order = draw(st.permutations(["time", name, "temperature_C", "Größe", "note"]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    lines, clock_s = [separator.join(order)], 0
    for step_s, conductivity, temperature in rows:
        clock_s += step_s
        wall = (START + timedelta(seconds=clock_s)).astimezone(zone)
        number = Decimal(conductivity) / 1000 * CONDUCTIVITIES[name]
        fields = {
            "time": wall.isoformat(gap),
            # With one digit more than three no sign is taken for one of thousands.
            name: f"{number:.4f}".replace(".", sign),
            "temperature_C": ""
            if temperature is None
            else f"{Decimal(temperature) / 100:.2f}".replace(".", sign),
            "Größe": "µ°ä",
            "note": "",
        }
        lines.append(separator.join(f"{quote}{fields[each]}{quote}" for each in order))
    text = end.join(lines) + draw(st.sampled_from(["", end]))
    return rows, text.encode(draw(st.sampled_from(ENCODINGS))), draw(st.lists(st.integers(0, 500)))


@given(dialects())
def test_any_dialect_of_the_same_readings_gives_the_same(
    written: tuple[list[tuple[int, int, int | None]], bytes, list[int]],
) -> None:
    """Encoding, separator, decimal sign, quotes, zone, unit, order and line ends do not matter."""
    rows, data, cuts = written
    lines, recording, found = TextLines(), Recording(Destination("mix-1", ("ct-1",))), list[str]()
    start = 0
    for cut in [*sorted(cuts), len(data)]:
        lines.feed(data[start:cut])
        found += iter(lines.next, None)
        start = max(start, min(cut, len(data)))
    lines.finish()
    items = [recording.row(line) for line in [*found, *iter(lines.next, None)]]
    recording.finish()
    read = [each for each in items if isinstance(each, Sample)]

    assert [None] == [each for each in items if not isinstance(each, Sample)]
    assert [c / 1000 for _, c, _ in rows] == pytest.approx(
        [each.conductivity_mS_cm for each in read]
    )
    assert [None if t is None else t / 100 for _, _, t in rows] == [
        each.temperature_C for each in read
    ]
    clock_s = [sum(step_s for step_s, _, _ in rows[: n + 1]) for n in range(len(rows))]
    assert [START + timedelta(seconds=each) for each in clock_s] == [each.at.wall for each in read]
    assert [each - clock_s[0] for each in clock_s] == [each.at.mono_s for each in read]


headers = st.sampled_from([
    b"time,conductivity_mS_cm,temperature_C\n", b"time;conductivity_uS_cm;temperature_F\n",
    "\ufefftime\tconductivity_mS_cm\ttemperature_C\r\n".encode("utf-16"), b"sep=|\n", b"",
])  # fmt: skip
parts = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([b"2026-03-02T08:00:00Z", b",", b";", b"42,9", b'"', b"\n", b"\r", b"\x00"]),
)


@given(headers, st.lists(parts, max_size=30), st.integers(1, 50))
def test_any_bytes_are_rows_or_one_refusal(header: bytes, rest: list[bytes], piece: int) -> None:
    """Samples are finite, bad rows have a reason, and nothing else is raised."""
    data = header + b"".join(rest)
    lines, recording = TextLines(), Recording(Destination("mix-1", ("ct-1",)))
    try:
        for start in range(0, len(data), piece):
            lines.feed(data[start : start + piece])
        lines.finish()
        items = [recording.row(line) for line in iter(lines.next, None)]
        recording.finish()
    except NoRecording:
        return
    for item in items:
        if isinstance(item, BadRow):
            assert item.why
        elif item is not None:
            values = (item.conductivity_mS_cm, item.temperature_C)
            assert all(value is None or math.isfinite(value) for value in values)
