"""The certificate of a calibration: all that an auditor asks for, and nothing that runs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html import unescape
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest

from calibration.record import CalibrationRecord
from calibration.report import certificate
from daemon.reports.calibration_certificate import certificate_html
from tests.unit.calibration.test_history import FIRST, checked, made
from tests.unit.calibration.test_routine import bench, saved


def words(html: str) -> str:
    """What a person reads of a page, in one line."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html[html.index("</style>") :])).split())


class Outline(HTMLParser):
    """What a page is made of, and what of it would be fetched."""

    def __init__(self, html: str) -> None:
        """Read a page."""
        super().__init__()
        self.tags: set[str] = set()
        self.foreign: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element, and anything that would be fetched."""
        self.tags.add(tag)
        self.foreign += [name for name, _ in attrs if name in {"src", "href", "onload", "style"}]


def rejected() -> CalibrationRecord:
    """A probe that is 15 % off."""
    run = bench(factor=1.15)
    run.whole()
    return saved(run)


def test_the_certificate_holds_what_an_auditor_asks_for() -> None:
    """Instrument, references with lot and source, as found, as left, budget, k, verdict, due."""
    records = (made(0), made(20, 1.025))
    html = certificate_html(records[1], records, "quarantine-wing")
    text = words(html)
    wanted = ("ct-1", "quarantine-wing", "Q-53", "McKee (2009)", "As found", "As left",
              "Uncertainty budget", "Source of uncertainty", "Standard deviation", "k = 2",
              "Stated tolerance", "Settling time", "Reference value", "Indicated value",
              "rectangular", "Accepted", "Next due 2026-02-20", "Performed by night shift",
              "Reviewed by", "Drift", "Previous calibration", "Combined standard uncertainty",
              "Finished 2026-01-21 08:00 UTC")  # fmt: skip

    assert [] == [each for each in wanted if each not in text]
    assert "svg" in Outline(html).tags


@pytest.mark.parametrize(
    "zone, finished",
    [
        ("Europe/Berlin", "Finished 2026-03-29 10:00 CEST"),
        ("Pacific/Chatham", "Finished 2026-03-29 21:45 UTC+13:45"),
    ],
)
def test_times_are_local_with_the_zone_named(zone: str, finished: str) -> None:
    """On the morning after the clock went forward, and far from UTC."""
    days = 87
    assert "2026-03-29" == f"{FIRST + timedelta(days=days):%Y-%m-%d}"
    text = words(certificate_html(made(days), (), "wing", ZoneInfo(zone)))

    assert finished in text
    assert f"Times: {zone} (UTC" in text


@pytest.mark.parametrize("agrees", [True, False])
def test_what_is_not_in_force_is_marked_by_form_and_words(*, agrees: bool) -> None:
    """The strong colour never stands alone."""
    record = made(0) if agrees else rejected()
    html = certificate_html(record)

    assert agrees is certificate(record).agrees
    assert agrees is not ('class="verdict outside"' in html)
    assert agrees is not ("Rejected: not in force" in words(html))


def test_a_reference_that_disagrees_says_so_in_its_row() -> None:
    """Every row that is marked says it in a word, and no other does."""
    record = rejected()
    tables = [each for each in certificate(record).tables if each.title == "As found"]
    tables += [t for t in certificate(checked(7, made(0), 1.05)).tables if t.title == "As found"]
    marked = [number in table.outside for table in tables for number in range(len(table.rows))]

    assert any(marked)
    assert marked == [row[-1].endswith(", disagrees") for table in tables for row in table.rows]


def test_the_certificate_needs_nothing_from_elsewhere() -> None:
    """No script, no link, no picture from outside."""
    page = certificate_html(made(0))

    assert [] == re.findall(r"<script|<link|<img|@import|url\(|https?:", page)
    assert [] == Outline(page).foreign


def test_a_name_with_markup_in_it_is_only_text() -> None:
    """Whatever a lot or a person is called, nothing of it runs."""
    record = made(0)
    rude = '<script>alert("x")</script>&\u202e'
    record = replace(record, calibration=replace(record.calibration, by=rude, id='"><b>'))
    html = certificate_html(record, (), rude)

    assert {"script", "b"}.isdisjoint(Outline(html).tags)
    assert 'Performed by <script>alert("x")</script>& ' in words(html)
    assert [] == [line for line in html.split("\n") if not line.isprintable()]


def test_a_check_has_a_certificate_too() -> None:
    """It says that nothing was adjusted."""
    first = made(0)
    check = checked(7, first, 1.05)
    text = words(certificate_html(check, (first, check)))

    assert "Check of probe ct-1" in text
    assert "Adjusted nothing" in text
    assert "Does not agree: calibrate the probe" in text
