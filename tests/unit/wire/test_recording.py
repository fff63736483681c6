"""A recording as a probe: its rows, its faults by line number, and its time."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.entries import Sample
from daemon.wire.recording import BadHeader, BadRow, samples

HEADER = "time,conductivity_mS_cm,temperature_C\n"
GOOD = "2026-03-02T08:00:00Z,42.914,15.0\n"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def read(text: str) -> list[Sample | BadRow]:
    """All that a recording gives."""
    return list(samples(text.splitlines(keepends=True), "mix-1", "ct-1"))


def good(text: str) -> list[Sample]:
    """The samples of a recording that has no bad row."""
    found = read(text)
    assert [] == [item for item in found if isinstance(item, BadRow)]
    return [item for item in found if isinstance(item, Sample)]


def bad(text: str) -> list[BadRow]:
    """The bad rows of a recording."""
    return [item for item in read(text) if isinstance(item, BadRow)]


def test_a_row_is_a_sample() -> None:
    """Time, both numbers, and names as given; nobody says whether the pump runs."""
    (sample,) = good(HEADER + GOOD)

    assert datetime(2026, 3, 2, 8, tzinfo=UTC) == sample.at.wall
    assert (42.914, 15.0) == (sample.conductivity_mS_cm, sample.temperature_C)
    assert ("mix-1", "ct-1", None, "") == (
        sample.reservoir,
        sample.probe,
        sample.pump,
        sample.fault,
    )


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + HEADER + GOOD,
        HEADER.replace("\n", "\r\n") + GOOD.replace("\n", "\r\n"),
        HEADER.replace("\n", "\r") + GOOD.replace("\n", "\r"),
        HEADER + "\n\n" + GOOD + "\n",
        "note,temperature_C,time,conductivity_mS_cm\nfine,15.0,2026-03-02T08:00:00Z,42.914\n",
        " time , conductivity_mS_cm , temperature_C \n 2026-03-02T08:00:00Z , 42.914 , 15.0 \n",
        '"time","conductivity_mS_cm","temperature_C"\n"2026-03-02T08:00:00Z","42.914","15.0"\n',
        HEADER + "2026-03-02T10:00:00+02:00,42.914,15.0\n",
        HEADER + "2026-03-02 08:00:00,42.914,15.0",
        "time,conductivity_mS_cm,temperature_C,pump\n2026-03-02T08:00:00Z,42.914,15.0\n",
    ],
)
def test_the_same_row_written_otherwise_is_the_same(text: str) -> None:
    """Marks of byte order, line ends, blanks, quotes and the order of columns do not matter."""
    (sample,) = good(text)

    assert (datetime(2026, 3, 2, 8, tzinfo=UTC), 42.914, 15.0) == (
        sample.at.wall,
        sample.conductivity_mS_cm,
        sample.temperature_C,
    )


@pytest.mark.parametrize("row", [",24.0", "42.0,", ",", " , "])
def test_an_empty_field_is_a_value_that_did_not_come(row: str) -> None:
    """It is a sample with a fault in it, so that time passes."""
    (sample,) = good(f"{HEADER}2026-03-02T08:00:00Z,{row}\n")

    assert "no value recorded" == sample.fault


@pytest.mark.parametrize("text, pump", [("1", True), ("0", False), ("", None), (" 1 ", True)])
def test_the_pump_is_reported_where_it_is_known(*, text: str, pump: bool | None) -> None:
    """One runs, nought stands, nothing says nothing."""
    header = "time,conductivity_mS_cm,temperature_C,pump\n"
    (sample,) = good(f"{header}2026-03-02T08:00:00Z,42,15,{text}\n")

    assert pump is sample.pump


@pytest.mark.parametrize(
    "row, why",
    [
        ("yesterday,42,15", "'yesterday' is not ISO 8601"),
        (",42,15", "'' is not ISO 8601"),
        ("2026-13-02T08:00:00Z,42,15", "is not ISO 8601"),
        ("0001-01-01T00:00:00+14:00,42,15", "from 1970 to 2199"),
        ("9999-12-31T23:59:59Z,42,15", "from 1970 to 2199"),
        ("2026-03-02T08:00:00Z,x,15", "conductivity_mS_cm 'x' is not a number"),
        ("2026-03-02T08:00:00Z,42,nan", "temperature_C 'nan' is not a number"),
        ("2026-03-02T08:00:00Z,inf,15", "conductivity_mS_cm 'inf' is not a number"),
        ("2026-03-02T08:00:00Z,1e999,15", "conductivity_mS_cm '1e999' is not a number"),
        ("2026-03-02T08:00:00Z,4\x002,15", "is not a number"),
        ("2026-03-02T08:00:00Z", "has 1 field"),
        ("2026-03-02T08:00:00Z,42", "has 2 fields"),
        ("2026-03-02T08:00:00Z,42,9,15,0", "has 5 fields"),  # decimal commas
        ("2026-03-02T08:00:00Z,42,15," + "x" * 200_000, "field larger than field limit"),
    ],
)
def test_a_bad_row_is_named_by_its_line_and_costs_only_itself(row: str, why: str) -> None:
    """The sentence says what is wrong; the rows around it are taken."""
    found = read(HEADER + GOOD + row + "\n" + GOOD)

    assert isinstance(found[1], BadRow)
    assert found[1].line == 3
    assert why in found[1].why
    assert [Sample, BadRow, Sample] == [type(item) for item in found]


def test_a_stray_quote_does_not_swallow_the_rows_after_it() -> None:
    """A quotation mark that is never closed costs its own row."""
    found = read(HEADER + '2026-03-02T08:00:00Z,"42,15\n' + GOOD * 5)

    assert [2] == [item.line for item in found if isinstance(item, BadRow)]
    assert len(found) == 6


def test_a_pump_that_neither_runs_nor_stands_is_bad() -> None:
    """Anything but 0 and 1 is told."""
    header = "time,conductivity_mS_cm,temperature_C,pump\n"

    assert ["pump 'on' is neither 0 nor 1"] == [
        row.why for row in bad(f"{header}2026-03-02T08:00:00Z,42,15,on\n")
    ]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n" + HEADER,
        GOOD,
        "time,conductivity,temperature\n" + GOOD,
        "time;conductivity_mS_cm;temperature_C\n",
        "\x00\x01\x02\n",
        "time,conductivity_mS_cm,conductivity_mS_cm,temperature_C\n",
        "x" * 200_000 + "\n",
    ],
)
def test_what_is_no_recording_is_refused(text: str) -> None:
    """Without its three columns, each once, nothing is read from a file."""
    with pytest.raises(BadHeader, match="first line"):
        read(text)


# --- time ---------------------------------------------------------------------------------------


def counted(*stamps: str) -> list[float]:
    """Monotonic seconds that rows with these times of the second of March get."""
    text = HEADER + "".join(f"2026-{stamp}Z,42,15\n" for stamp in stamps)
    return [sample.at.mono_s for sample in good(text)]


def test_time_passes_as_recorded() -> None:
    """Differences of the recorded times are durations."""
    assert [0.0, 2.0, 2.5, 3602.5] == counted(
        "03-02T08:00:00", "03-02T08:00:02", "03-02T08:00:02.5", "03-02T09:00:02.5"
    )


def test_a_clock_set_back_took_one_usual_step() -> None:
    """Times that go backwards do not stop the count, nor turn it."""
    assert [0.0, 5.0, 10.0, 15.0] == counted(
        "03-02T08:00:00", "03-02T08:00:05", "03-02T07:00:00", "03-02T07:00:05"
    )


def test_a_clock_set_years_ahead_took_one_usual_step() -> None:
    """A logger that learns the date does not age the batch by it."""
    assert [0.0, 5.0, 10.0, 15.0] == counted(
        "01-01T00:00:00", "01-01T00:00:05", "11-02T08:00:00", "11-02T08:00:05"
    )


def test_a_bad_row_takes_no_time() -> None:
    """The next good row counts from the last good one."""
    text = HEADER + GOOD + "?,42,15\n" + GOOD.replace(":00Z", ":04Z")

    assert [0.0, 4.0] == [item.at.mono_s for item in read(text) if isinstance(item, Sample)]
