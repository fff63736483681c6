"""The trend as a page: readable without scripts, in words and figures."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlencode

import pytest

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.trend.trend_file import trend_path
from daemon.journal.writer import Writer
from daemon.page.application import Application
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.view import DisplaySettings, ReservoirView, StationView
from tests.page.page_parts import display_settings, reservoir_view
from tests.parts.numbered import START, reading
from tests.parts.trends import course, fill, write

HOSTILE = '"><img src=x onerror=alert(1)>'


def event(second: float, kind: Kind, facts: dict[str, JSON]) -> Event:
    """Something that happened."""
    at = Instant(START + timedelta(seconds=second), second, "boot-1")
    return Event("mix-1", at, "b-1", body_of(kind, facts))


def site(path: Path, *views: ReservoirView, minutes: int = 30) -> Application:
    """The page over a journal, some minutes after it began."""
    found = views or (reservoir_view(),)
    settings = tuple(each.settings for each in found)
    view = StationView("wing", START + timedelta(minutes=minutes), found)
    return make_site(Sources(lambda: view, path, settings)).application


def get(application: Application, path: str = "/trend", **asked: str) -> tuple[int, str]:
    """Send a request; return the status and the page."""
    statuses: list[str] = []
    environ = {
        "REQUEST_METHOD": "GET",
        "PATH_INFO": path,
        "QUERY_STRING": urlencode({name.rstrip("_"): each for name, each in asked.items()}),
        "HTTP_HOST": "localhost",
    }
    body = application(environ, lambda status, _: statuses.append(status))  # type: ignore[arg-type]
    return int(statuses[0][:3]), b"".join(body).decode()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of half an hour, with something marked in it."""
    path = tmp_path_factory.mktemp("made") / "journal.db"
    write(path, course(1500))
    with Writer(path, 1e12) as writer:
        phase: dict[str, JSON] = {"from": "blank", "to": "dissolving", "why": HOSTILE}
        writer.append([event(600, Kind.PHASE, phase), reading(1501)], 0.0)
    return path


@pytest.fixture
def path(tmp_path: Path, made: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copy(made, tmp_path / "journal.db"))


def test_the_page_says_in_a_table_what_the_chart_shows(path: Path) -> None:
    """With caption and headings of rows and columns, and no row more than a screen or two."""
    status, page = get(site(path), span="1h")

    assert 200 == status
    (table,) = re.findall(r'<table class="figures">.*?</table>', page, re.DOTALL)
    assert ">Salinity and temperature, each row 5 minutes" in table
    assert 6 == table.count('scope="col"')
    assert 1 < table.count('scope="row"') <= 24
    assert "33.9" in table or "34.0" in table


def test_what_happened_stands_in_a_table_with_its_number(path: Path) -> None:
    """And what a person wrote is text, whatever it holds."""
    _, page = get(site(path), span="1h")

    assert '<th scope="row" class="number">1</th><td class="time">2031-05-04 09:10:00</td>' in page
    assert "salt added" in page
    assert HOSTILE not in page
    assert "onerror=alert(1)&gt;" in page


def test_gaps_are_listed_with_why(tmp_path: Path) -> None:
    """Calibrations and silences are told apart."""
    some = [replace(each, reservoir="mix-1") for each in course(100)]
    late = [
        replace(reading(n + 3000), at=Instant(START + timedelta(seconds=n + 3000), 1.0, "b"))
        for n in range(100)
    ]
    write(tmp_path / "journal.db", some + late)
    _, page = get(site(tmp_path / "journal.db", minutes=60), span="1h")

    assert "Without a usable reading" in page
    assert ": no reading came</li>" in page


def test_each_length_of_time_is_a_link_and_one_is_marked(path: Path) -> None:
    """Without scripts they lead there, as do earlier and later."""
    _, page = get(site(path), span="1w")

    assert 7 == page.count("data-length=")
    marked = re.findall(r'data-length="([^"]*)" aria-current="true"', page)
    assert ["1w"] == marked
    (earlier,) = re.findall(r'href="([^"]*)" data-move="earlier"', page)
    _, before = get(site(path), **query(earlier))
    (later,) = re.findall(r'href="([^"]*)" data-move="later"', before)
    assert "data-follows" not in before
    assert query(later)["from_"] == query(earlier)["to"]


def query(address: str) -> dict[str, str]:
    """The parameters of an address in a page."""
    pairs = (each.split("=") for each in address.partition("?")[2].split("&amp;"))
    plain = {name: value.replace("%3A", ":") for name, value in pairs}
    return {("from_" if name == "from" else name): value for name, value in plain.items()}


@pytest.mark.parametrize(
    "asked",
    [
        {"span": "9w"},
        {"span": "-4s"},
        {"span": "999999999s"},
        {"from_": "1970-01-01T00:00:00Z", "to": "1970-01-01T00:00:00Z"},
        {"to": "1970-01-01T00:00:00Z", "span": "1y"},
        {"from_": "tomorrow", "to": HOSTILE},
        {"from_": "8999-12-31T00:00:00Z", "to": "9000-01-01T00:00:00Z"},
        {"points": "9" * 50},
    ],
)
@pytest.mark.parametrize("address", ["/trend", "/trend/words"])
def test_whatever_is_asked_a_page_comes(path: Path, address: str, asked: dict[str, str]) -> None:
    """Wrong moments and lengths are left at what is usual, and nothing of them becomes markup."""
    status, page = get(site(path), address, **asked)

    assert 200 == status
    assert HOSTILE not in page


def test_a_reservoir_that_is_not_there_is_named(path: Path) -> None:
    """And the first is shown."""
    _, page = get(site(path), reservoir=HOSTILE)

    assert "There is no reservoir" in page
    assert "mix-1 is shown" in page
    assert HOSTILE not in page


def test_with_one_reservoir_there_is_nothing_to_choose(path: Path) -> None:
    """Its label stands in the heading; of two, the names that people gave are in a list."""
    labelled = replace(reservoir_view(), settings=named("mix-1", "Nursery tank"))
    _, one = get(site(path, labelled))
    _, two = get(site(path, labelled, replace(reservoir_view("mix-2"), age_s=None)))

    assert "<h1>Trend: Nursery tank</h1>" in one
    assert "<select" not in one
    assert '<option value="mix-1" selected>Nursery tank</option>' in two


def named(name: str, label: str) -> DisplaySettings:
    """Settings with a label."""
    return replace(display_settings(name), label=label)


def test_before_anything_was_measured_it_says_so(tmp_path: Path) -> None:
    """There is no journal, or nothing of this reservoir in it."""
    _, nothing = get(site(tmp_path / "journal.db"))
    write(tmp_path / "journal.db", course(5))
    _, other = get(site(tmp_path / "journal.db", reservoir_view("mix-2")))

    assert "Nothing can be shown: journal" in nothing
    assert "No usable reading in this time." in other


def test_a_forecast_is_called_one(path: Path) -> None:
    """Only where the stretch ends now, and the readings are fresh."""
    facts: dict[str, JSON] = {
        "phase": "dissolving",
        "expected_ready_at": "2031-05-04T09:40:00.000Z",
        "expected_ready_low": "2031-05-04T09:30:00.000Z",
        "expected_ready_high": "2031-05-04T09:55:00.000Z",
        "final_salinity": 34.1,
        "final_low": 33.9,
        "final_high": 34.3,
    }
    view = reservoir_view(facts=facts)
    _, now = get(site(path, view))
    _, old = get(site(path, replace(view, age_s=900.0)))
    _, past = get(site(path, view), to="2031-05-04T09:10:00Z")

    words = "Forecast: expected release about 09:40 (09:30 to 09:55 UTC), at 34.1 ppt"
    assert words in now
    assert "Forecast:" not in old
    assert "Forecast:" not in past


def test_what_is_not_prepared_yet_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in the first minutes after an update."""
    monkeypatch.setattr("daemon.journal.trend.stretch.MOST_NEW", 100)
    _, page = get(site(path), span="1d")
    fill(path)
    _, later = get(site(path), span="1d")

    assert "is still being prepared from the journal" in page
    assert "is still being prepared" not in later


def test_the_part_in_words_is_that_of_the_page(path: Path) -> None:
    """A script puts it in when one looks elsewhere; it holds no page of its own."""
    asked = {"from_": "2031-05-04T09:00:00Z", "to": "2031-05-04T09:20:00Z"}
    _, page = get(site(path), **asked)
    _, words = get(site(path), "/trend/words", points="740", **asked)

    assert "<html" not in words
    assert words.strip() in page


def test_who_reads_the_page_writes_nothing(path: Path) -> None:
    """The trend file is filled by its own thread alone."""
    get(site(path))

    assert not trend_path(path).exists()


def test_the_page_has_no_inline_script_or_style(path: Path) -> None:
    """The policy would not let it in."""
    _, page = get(site(path), span="1h")

    assert [] == re.findall(r"<script>|<style|<[^>]*\s(?:style|on[a-z]+)=|javascript:", page)
