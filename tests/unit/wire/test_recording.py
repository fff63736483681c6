"""A recording as a probe: its rows, its faults by line number, and its time."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.entries import Sample
from daemon.wire.no_recording import NoRecording
from daemon.wire.recording import BadRow, Destination, Recording, samples

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
        "time;conductivity_mS_cm;temperature_C\n2026-03-02T08:00:00Z;42,914;15,0\n",
        "time\tconductivity_mS_cm\ttemperature_C\n2026-03-02T08:00:00Z\t42.914\t15\n",
        "time|conductivity_mS_cm|temperature_C\n2026-03-02T08:00:00Z|42,914|15\n",
        "sep=;\ntime;conductivity_mS_cm;temperature_C\n2026-03-02T08:00:00Z;42.914;15\n",
        HEADER + '2026-03-02T08:00:00Z,"42,914","15,0"\n',
        "Time;Conductivity (mS/cm);Temperature [°C]\n2026-03-02T08:00:00Z;42,914;15\n",
        "time,conductivity_uS_cm,temperature_C\n2026-03-02T08:00:00Z,42914,15\n",
        "time,conductivity_µS_cm,temperature_F\n2026-03-02T08:00:00Z,42914.0,59\n",
        "time,conductivity_S_m,temperature_K\n2026-03-02T08:00:00Z,4.2914,288.15\n",
        "conductivity_uS_cm,time,conductivity_mS_cm,temperature_C\n1,2026-03-02T08:00Z,42.914,15\n",
        "time,conductivity_mS_cm,temperature_C,pump\n2026-03-02T08:00:00Z,42.914,15.0\n",
    ],
)
def test_the_same_row_written_otherwise_is_the_same(text: str) -> None:
    """Separators, line ends, blanks, quotes, units and the order of columns do not matter."""
    (sample,) = good(text)

    assert datetime(2026, 3, 2, 8, tzinfo=UTC) == sample.at.wall
    assert [42.914, 15.0] == pytest.approx([sample.conductivity_mS_cm, sample.temperature_C])


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
        ("2026-03-02T08:00:00Z,42,15," + "x" * 200_000, "longer than 65536 characters"),
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
        "time conductivity_mS_cm temperature_C\n",
        "\x00\x01\x02\n",
        "time,conductivity_mS_cm,conductivity_mS_cm,temperature_C\n",
        "x" * 200_000 + "\n",
    ],
)
def test_what_is_no_recording_is_refused(text: str) -> None:
    """Without its three columns, each once, nothing is read from a file."""
    with pytest.raises(NoRecording, match="first line"):
        read(text)


# --- time ---------------------------------------------------------------------------------------


def counted(*stamps: str) -> list[float]:
    """Monotonic seconds that rows with these times of the second of March get."""
    text = HEADER + "".join(f"2026-{stamp}Z,42,15\n" for stamp in stamps)
    return [sample.at.mono_s for sample in good(text)]


def rows_at(*times: str) -> str:
    """A recording with rows at these times of one day."""
    return HEADER + "".join(f"2026-03-02T{each}Z,42,15\n" for each in times)


def test_time_passes_as_recorded() -> None:
    """Differences of the recorded times are durations."""
    assert [0.0, 2.0, 2.5, 3602.5] == counted(
        "03-02T08:00:00", "03-02T08:00:02", "03-02T08:00:02.5", "03-02T09:00:02.5"
    )


def test_a_row_out_of_order_is_left_out() -> None:
    """It is named by its line and by how far it is back, and takes no time."""
    found = read(rows_at("08:00:00", "08:00:05", "07:59:59", "08:00:10"))

    assert [BadRow(4, "its time is 6 s before that of line 3")] == [
        each for each in found if isinstance(each, BadRow)
    ]
    assert [0.0, 5.0, 10.0] == [each.at.mono_s for each in found if isinstance(each, Sample)]


def test_a_clock_that_was_set_back_is_followed() -> None:
    """The first row after is left out; an outage of 10 min stands for what nobody knows."""
    recording = Recording(Destination("mix-1", ("ct-1",)))
    found = [
        recording.row(line)
        for line in rows_at("08:00:00", "08:00:05", "07:00:00", "07:00:05", "07:00:10").split()
    ]

    assert [0.0, 5.0, 610.0, 615.0] == [e.at.mono_s for e in found if isinstance(e, Sample)]
    (remark,) = recording.remarks
    assert remark == (
        "the clock was set back once (line 4); rows count on from there as if 10 min had passed, "
        "or one usual step where it was by less than 60 s"
    )


def test_a_clock_that_was_corrected_by_seconds_took_one_usual_step() -> None:
    """No power cut puts a clock back by so little; a time service does."""
    assert [0.0, 5.0, 15.0, 20.0] == [
        each.at.mono_s
        for each in read(rows_at("08:00:00", "08:00:05", "07:59:30", "07:59:35", "07:59:40"))
        if isinstance(each, Sample)
    ]


def test_a_file_in_reverse_order_is_refused() -> None:
    """It is to be sorted; of three rows two that go back are enough."""
    newest_first = [f"08:{minute:02d}:00" for minute in range(59, 0, -1)]

    for stamps in (newest_first, newest_first[:3], [each for each in newest_first for _ in "12"]):
        with pytest.raises(NoRecording, match="go back in time from the first on; sort them"):
            read(rows_at(*stamps))


def test_one_row_back_is_no_reverse_order() -> None:
    """Two rows do not show in which order a file is."""
    assert [Sample, BadRow] == [type(each) for each in read(rows_at("08:00:05", "08:00:00"))]


def test_a_clock_set_years_ahead_took_ten_minutes() -> None:
    """A logger that learns the date, mostly after a power cut, does not age the batch by years."""
    assert [0.0, 5.0, 605.0, 610.0] == counted(
        "01-01T00:00:00", "01-01T00:00:05", "11-02T08:00:00", "11-02T08:00:05"
    )


def test_a_bad_row_takes_no_time() -> None:
    """The next good row counts from the last good one."""
    text = HEADER + GOOD + "?,42,15\n" + GOOD.replace(":00Z", ":04Z")

    assert [0.0, 4.0] == [item.at.mono_s for item in read(text) if isinstance(item, Sample)]


# --- what is said of a recording ----------------------------------------------------------------


def remarks(text: str, *probes: str, others: frozenset[str] = frozenset()) -> list[str]:
    """What is said of a recording once it was read."""
    recording = Recording(Destination("mix-1", probes or ("ct-1",), others))
    for line in text.splitlines():
        recording.row(line)
    return recording.remarks


@pytest.mark.parametrize(
    "text, said",
    [
        (HEADER + GOOD, []),
        (
            HEADER + GOOD + GOOD.replace("Z", "") * 2,
            ["its times name no zone (first in line 3) and are taken as UTC"],
        ),
        (
            "time,conductivity_uS_cm,temperature_F\n",
            [
                "conductivity_uS_cm is read as µS/cm, divided by 1000 for mS/cm",
                "temperature_F is read as °F, converted to °C",
            ],
        ),
        (
            "time,Conductivity [S/m],temperature_C\n",
            ["Conductivity [S/m] is read as S/m, times 10 for mS/cm"],
        ),
        (
            HEADER + GOOD + "2031-03-02T08:00:00Z,42,15\n",
            ["the clock jumped ahead by more than 30 days once (line 3), counted as 10 min"],
        ),
    ],
)
def test_what_a_writer_should_know_is_said_once(text: str, said: list[str]) -> None:
    """Times without a zone, other units and jumps are read, and how they were."""
    assert said == remarks(text)


@pytest.mark.parametrize(
    "header, said",
    [
        ("Zeit;Leitfähigkeit;Temperatur", "it has 'Zeit', 'Leitfähigkeit', 'Temperatur'"),
        ("time,conductivity_mS_cm", "temperature_C is missing, it has 'time'"),
        ("time,conductivity,temperature_C", "'conductivity' lacks its unit: call it conduct"),
        (
            "time,conductivity_uS_cm,conductivity_S_m,temperature_C",
            "conductivity_mS_cm is there more than once: 'conductivity_uS_cm' and 'conductivity_S",
        ),
        ("time," + "x," * 50, "'x' and more"),
    ],
)
def test_a_header_is_refused_with_what_was_found(header: str, said: str) -> None:
    """Whoever reads the sentence sees which names to change."""
    with pytest.raises(NoRecording, match="the first line must name the columns time") as refused:
        read(header + "\n")

    assert said in str(refused.value)


@pytest.mark.parametrize(
    "rows, why",
    [
        # Both are thousands as likely as fractions, and nothing else tells.
        (["42.914;24"], "conductivity_uS_cm '42.914' could be 42.914 or 42914"),
        (["42,914;24"], "conductivity_uS_cm '42,914' could be 42.914 or 42914"),
        (["42.914;24,1"], "conductivity_uS_cm '42.914' has '.' where other numbers have ','"),
        (["42,5;24", "42.5;24"], "conductivity_uS_cm '42.5' has '.' where other numbers have ','"),
        (["1.042,5;24"], "conductivity_uS_cm '1.042,5' is not a number"),
        (["4_2;24"], "conductivity_uS_cm '4_2' is not a number"),
    ],
)
def test_a_number_that_could_be_another_is_refused(rows: list[str], why: str) -> None:
    """A thousandfold conductivity is never read for want of asking."""
    lines = "".join(f"2026-03-02T08:00:00Z;{row}\n" for row in rows)
    found = read(f"time;conductivity_uS_cm;temperature_C\n{lines}")

    assert isinstance(found[-1], BadRow)
    assert why in found[-1].why


def test_a_fraction_of_three_digits_is_read_where_another_number_tells() -> None:
    """The comma of the temperature says what that of the conductivity is."""
    (sample,) = good("time;conductivity_uS_cm;temperature_C\n2026-03-02T08:00:00Z;42,914;24,1\n")

    assert 0.042914 == pytest.approx(sample.conductivity_mS_cm)


# --- whose rows they are ------------------------------------------------------------------------

OWNED = "time,conductivity_mS_cm,temperature_C,reservoir,probe\n"


def owned(*owners: str) -> str:
    """A recording with a row of each reservoir and probe."""
    return OWNED + "".join(f"2026-03-02T08:00:00Z,42,15,{each}\n" for each in owners)


def test_rows_of_another_reservoir_of_ours_are_left_out() -> None:
    """An export of all of them is replayed to one, and how many were left out is said."""
    text = owned("mix-2,ct-1", "mix-1,ct-1", "mix-2,ct-1")

    assert ["2 rows of reservoir 'mix-2' left out"] == remarks(text, others=frozenset({"mix-2"}))


def test_each_probe_of_ours_keeps_its_rows() -> None:
    """Two probes of one vessel are two again."""
    recording = Recording(Destination("mix-1", ("ct-1", "ct-2")))
    found = [recording.row(line) for line in owned("mix-1,ct-2", "mix-1,ct-1").splitlines()]

    assert ["ct-2", "ct-1"] == [each.probe for each in found if isinstance(each, Sample)]


def test_a_recording_from_elsewhere_is_taken_for_ours() -> None:
    """One reservoir and one probe of it; which is said."""
    assert [
        "its reservoir 'vat' is taken for 'mix-1'",
        "its probe 'a' is taken for 'ct-1'",
    ] == remarks(owned("vat,a", "vat,a"))


def test_a_second_reservoir_or_probe_from_elsewhere_is_refused() -> None:
    """Readings of two waters are never one course."""
    assert [
        "is of reservoir 'tub' where the rows above are of 'vat'",
        "is of probe 'b' where the rows above are of 'a'",
    ] == [row.why for row in bad(owned("vat,a", "tub,a", "vat,b"))]
