"""An entry as a JSON object."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Event, Flag, Instant, Kind, Reading
from daemon.journal.event_codec import body_of
from daemon.journal.payloads import event_payload, iso_time, reading_payload, to_json
from daemon.mixing.probe.quality import TESTS

AT = Instant(datetime(2031, 5, 4, 9, 0, 0, 250_000, tzinfo=UTC), 12.0, "boot-1")
READING = Reading(
    reservoir="mix-1",
    probe="ct-1",
    at=AT,
    conductivity_mS_cm=51.0,
    temperature_C=24.5,
    salinity=33.9,
    salinity_u=0.05,
    flag=Flag.SUSPECT,
    tests=dict.fromkeys(TESTS, Flag.PASS) | {"spike": Flag.SUSPECT, "gap": Flag.NOT_EVALUATED},
)
EVENT = Event(
    "mix-1", AT, "lot-7", body_of(Kind.STABILISED, {"salinity": 33.9, "salinity_u": 0.05})
)


@pytest.mark.parametrize(
    "wall, said",
    [
        (datetime(2031, 5, 4, 9, 0, tzinfo=UTC), "2031-05-04T09:00:00.000Z"),
        (datetime(2031, 5, 4, 9, 0, 0, 999_600, tzinfo=UTC), "2031-05-04T09:00:01.000Z"),
        (datetime(2031, 5, 4, 11, tzinfo=timezone(timedelta(hours=2))), "2031-05-04T09:00:00.000Z"),
    ],
)
def test_times_are_utc_to_the_millisecond(wall: datetime, said: str) -> None:
    """A time is said as the journal keeps it: UTC, rounded to the millisecond, with Z."""
    assert said == iso_time(wall)


def test_a_reading_names_only_the_tests_it_did_not_pass() -> None:
    """Numbers, worst flag, and each test that was not passed with its own flag."""
    assert {
        "time": "2031-05-04T09:00:00.250Z",
        "conductivity_mS_cm": 51.0,
        "temperature_C": 24.5,
        "salinity": 33.9,
        "salinity_u": 0.05,
        "flag": 3,
        "tests": {"gap": 2, "spike": 3},
        "probe": "ct-1",
    } == reading_payload(READING)


def test_a_reading_says_with_what_figure_a_test_was_not_passed() -> None:
    """The name of the test and its figure in words."""
    figures = {"spike": "0.41 ppt off its course, more than 0.30"}

    assert figures == reading_payload(replace(READING, figures=figures))["figures"]
    assert "figures" not in reading_payload(READING)


def test_pump_fault_and_an_uncertain_clock_have_fields_only_when_known() -> None:
    """A missing value comes with its reason, a pump with its state, a wrong clock with a word."""
    missing = replace(
        READING,
        at=replace(AT, synced=False),
        salinity=None,
        salinity_u=None,
        flag=Flag.MISSING,
        pump=False,
        fault="no answer within 2 s",
    )
    fields = reading_payload(missing)

    assert (None, 9, False, "no answer within 2 s", False) == tuple(
        fields[key] for key in ("salinity", "flag", "pump", "fault", "synced")
    )


def test_an_event_begins_with_time_reservoir_batch_and_kind() -> None:
    """The four come first, then the facts, in the order of the lines of a replay."""
    fields = event_payload(EVENT)

    assert ["time", "reservoir", "batch", "kind", "salinity", "salinity_u"] == list(fields)
    assert ("mix-1", "lot-7", "stabilised", 33.9) == tuple(
        fields[key] for key in ("reservoir", "batch", "kind", "salinity")
    )


def test_a_fact_never_takes_the_place_of_what_every_event_has() -> None:
    """An event whose facts speak of another time keeps its own."""
    facts: dict[str, JSON] = {"time": "yesterday", "kind": "other", "x": 1}
    fields = event_payload(replace(EVENT, body=body_of(EVENT.kind, facts)))

    assert ("2031-05-04T09:00:00.250Z", "stabilised", 1) == (
        fields["time"],
        fields["kind"],
        fields["x"],
    )


def test_text_is_utf_8_and_a_number_that_is_none_is_refused() -> None:
    """Degree signs arrive as they are; NaN, which JSON cannot say, is an error."""
    assert '{"t":"25 °C"}'.encode() == to_json({"t": "25 °C"})
    with pytest.raises(ValueError, match="JSON compliant"):
        to_json({"t": float("nan")})


@given(st.dictionaries(st.text(), st.text()))
def test_a_subscriber_on_a_terminal_is_shown_no_control(facts: dict[str, str]) -> None:
    """Whatever is in a text: it comes as an escape of JSON, and is the same text to a program."""
    payload = to_json({**facts}).decode()
    letters = json.dumps(facts, ensure_ascii=False).encode(errors="replace").decode()

    assert payload.isprintable()
    assert json.loads(letters) == json.loads(payload)
