"""`/api/readings`: any stretch of the past, of one reservoir, as columns."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from jsonschema import Draft202012Validator

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.payloads import iso_time
from daemon.journal.writer import Writer
from daemon.page.application import Application
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.trend.endpoints import READINGS
from daemon.page.view import StationView
from tests.page.page_parts import display_settings, reservoir_view
from tests.parts.numbered import START, reading
from tests.parts.trends import START_MS, course, fill, ms, water, write

HOSTILE = '<script>alert("x")</script>\u202e\n'
AHEAD: dict[str, JSON] = {
    "phase": "dissolving",
    "expected_ready_at": "2031-05-04T09:40:00.000Z",
    "expected_ready_low": "2031-05-04T09:30:00.000Z",
    "expected_ready_high": "2031-05-04T09:55:00.000Z",
    "final_salinity": 34.1,
    "final_u": 0.1,
    "final_low": 33.9,
    "final_high": 34.3,
}


def note(second: float, text: str) -> Event:
    """A note of a person's."""
    at = Instant(START + timedelta(seconds=second), second, "boot-1")
    facts: dict[str, JSON] = {
        "id": "n-1",
        "verb": "batch.note",
        "who": HOSTILE,
        "via": "page",
        "ok": True,
    }
    return Event(
        "mix-1", at, "b-1", body_of(Kind.COMMAND, {**facts, "answer": "noted", "text": text})
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of half an hour."""
    path = tmp_path_factory.mktemp("made") / "journal.db"
    write(path, course(1500))
    return path


@pytest.fixture
def path(tmp_path: Path, made: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copy(made, tmp_path / "journal.db"))


def site(path: Path, *views: Any) -> Application:  # noqa: ANN401 - views of reservoirs
    """The page over a journal, at a moment half an hour after it began."""
    settings = (display_settings(), display_settings("mix-2"))
    found = views or (reservoir_view(), reservoir_view("mix-2"))
    view = StationView("wing", START + timedelta(minutes=30), found)
    return make_site(Sources(lambda: view, path, settings)).application


def ask(application: Application, **asked: str) -> tuple[int, Any]:
    """Send a request; return the status and the answer."""
    statuses: list[str] = []
    environ = {
        "REQUEST_METHOD": "GET",
        "PATH_INFO": "/api/readings",
        "QUERY_STRING": urlencode({name.rstrip("_"): each for name, each in asked.items()}),
        "HTTP_HOST": "localhost",
    }
    body = application(environ, lambda status, _: statuses.append(status))  # type: ignore[arg-type]
    return int(statuses[0][:3]), json.loads(b"".join(body))


def at(second: float) -> str:
    """A moment of the journal."""
    return iso_time(START + timedelta(seconds=second))


def test_an_answer_has_what_its_description_says(path: Path) -> None:
    """With marks, phases, gaps and a forecast in it; so has one that comes from the file."""
    with Writer(path, 1e12) as writer:
        writer.append([note(900, "stirred by hand"), reading(1501)], 0.0)
    application = site(path, reservoir_view(facts=AHEAD))
    first = ask(application, from_=at(0), to=at(1800))
    fill(path)
    second = ask(application, from_=at(0), to=at(86_400))

    for status, answer in (first, second):
        assert 200 == status
        Draft202012Validator(READINGS).validate(answer)
        assert ["note"] == [each["kind"] for each in answer["marks"]]
        assert AHEAD["final_salinity"] == answer["forecast"]["salinity"]
        assert answer["columns"]["time_ms"]


def test_columns_are_what_the_readings_say(path: Path) -> None:
    """One point for each second: exactly the readings, to the last digit that is sent."""
    known = [each for each in course(1500) if START_MS + 60_000 <= ms(each) < START_MS + 360_000]
    _, answer = ask(site(path), from_=at(60), to=at(360), points="300")
    columns = answer["columns"]

    usable = [each for each in water(known) if each.salinity is not None]
    found = zip(columns["time_ms"], columns["salinity_mean"], columns["salinity_u"], strict=True)
    assert [(ms(each), each.salinity, each.salinity_u) for each in usable] == [
        each for each in found if each[1] is not None
    ]
    assert len(known) == sum(columns["readings"])
    assert {len(each) for each in columns.values()} == {len(columns["time_ms"])}


def test_left_out_it_is_the_last_six_hours_of_the_first_reservoir(path: Path) -> None:
    """Up to the station's present moment."""
    status, answer = ask(site(path))

    assert (200, "mix-1", 60) == (status, answer["reservoir"], answer["step_s"])
    assert ("2031-05-04T03:30:00.000Z", "2031-05-04T09:30:00.000Z") == (
        answer["from"],
        answer["to"],
    )
    assert {"target_ppt": 34.0, "low_ppt": 33.0, "high_ppt": 35.0} == answer["tolerance"]


def test_a_step_may_be_asked_for(path: Path) -> None:
    """A page that adds what is new asks for the step that it has."""
    _, answer = ask(site(path), from_=at(100), to=at(160), step_s="30")

    assert (30, at(90), at(180)) == (answer["step_s"], answer["from"], answer["to"])


@pytest.mark.parametrize(
    "asked",
    [
        {"reservoir": "mix-9"},
        {"from_": "yesterday"},
        {"from_": "2031-05-04T10:00:00"},
        {"from_": "2031-05-04T10:00:00Z", "to": "2031-05-04T09:00:00Z"},
        {"points": "9"},
        {"points": "100000"},
        {"step_s": "0"},
        {"span": "1h"},
    ],
)
def test_a_wrong_question_is_refused_with_a_sentence(path: Path, asked: dict[str, str]) -> None:
    """It names the parameter."""
    status, answer = ask(site(path), **asked)

    assert 400 == status
    assert next(iter(asked)).rstrip("_") in answer["detail"]


def test_a_reservoir_without_a_probe_has_no_points(path: Path) -> None:
    """And no forecast, for nothing is known of it."""
    _, answer = ask(site(path), reservoir="mix-2", from_=at(0), to=at(1800))

    assert ([], None) == (answer["columns"]["time_ms"], answer["forecast"])


def test_without_a_journal_it_says_so(tmp_path: Path) -> None:
    """As before measuring has begun."""
    status, answer = ask(site(tmp_path / "journal.db"))

    assert 503 == status
    assert "there is none yet" in answer["detail"]


@pytest.mark.parametrize("second", [-1_500_000_000, 0, 2_000_000_000])
@pytest.mark.parametrize("length_s", [1, 10**6, 10**9])
def test_any_moment_may_be_asked_for(path: Path, second: int, length_s: int) -> None:
    """Long before, and long after anything was measured."""
    since = max(START.timestamp() + second, 0.0)
    fill(path)
    begin, end = (at(since + each - START.timestamp()) for each in (0, length_s))
    status, answer = ask(site(path), from_=begin, to=end)

    assert 200 == status
    Draft202012Validator(READINGS).validate(answer)


@pytest.mark.parametrize(
    "facts", [{"phase": "ready"}, {"expected_ready_at": None}, {"phase": "verifying"}]
)
def test_only_what_is_expected_now_is_a_forecast(path: Path, facts: dict[str, Any]) -> None:
    """Not what was expected before the water was released, nor on readings that are old."""
    now = reservoir_view(facts=AHEAD | facts)
    old = replace(reservoir_view(facts=AHEAD), age_s=900.0)

    assert None is ask(site(path, now))[1]["forecast"]
    assert None is ask(site(path, old))[1]["forecast"]


def test_what_people_wrote_is_text_without_what_cannot_be_printed(path: Path) -> None:
    """Markup stays the text that it is; a sign of writing direction or a line's end is escaped."""
    with Writer(path, 1e12) as writer:
        writer.append([note(900, HOSTILE * 50)], 0.0)
    _, answer = ask(site(path), from_=at(0), to=at(1800))
    (text,) = [each["text"] for each in answer["marks"]]

    assert text.isprintable()
    assert len(text) <= 300
    assert text.startswith('<script>alert("x")</script>')


@pytest.fixture(autouse=True)
def _no_leftovers(tmp_path: Path) -> Iterator[None]:
    """Nothing is written by who only asks."""
    yield
    assert not [*tmp_path.glob("*-trend.db-wal")]
