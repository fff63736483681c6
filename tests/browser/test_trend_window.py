"""The trend in a real window: drawn, looked into by pointer and by keys, and live."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from daemon.entries import JSON, Entry, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.writer import Writer
from tests.browser.liveness import seconds_until
from tests.browser.looks import violations, wider_than_window
from tests.browser.served import answers, page_section
from tests.browser.windows import CONNECTION_LOST, PHONE, Windows
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.parts.numbered import reading
from tests.services.service_parts import Station, running

PATIENCE_MS = 60_000.0
"""For what comes by itself, on a busy machine."""
PERIOD_S = 5
HOURS = 3
SPIKE = 36.77
GAP = (4000, 4600)
"""Seconds before now between which nothing was read."""


@dataclass
class Past:
    """A station with three hours behind it.

    Attributes:
        journal: Its journal.
        port: Of the page.
        now: When the journal was written.
    """

    journal: Path
    port: int
    now: datetime

    @property
    def address(self) -> str:
        """Of its page."""
        return f"http://{LOOPBACK}:{self.port}"

    def add(self, salinity: float) -> None:
        """Write one more reading, of this moment."""
        wall = datetime.now(UTC)
        at = Instant(wall, (wall - self.now).total_seconds(), "boot-1")
        with Writer(self.journal) as writer:
            writer.append([replace(reading(0), at=at, salinity=salinity)], 0.0)


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    """Of salt that went in an hour ago, with a spike, a gap and a note."""
    folder, port, now = tmp_path_factory.mktemp("past"), find_free_port(), datetime.now(UTC)
    station = Station(folder, speed=1, more=page_section(port))
    words = ("daemon.publish", "--config", str(station.config))
    with Writer(folder / "journal.db", 1e12) as writer:
        for each in some(now):
            writer.append(each, 0.0)
    with running("publish", *words, folder=folder):
        wait_until(lambda: answers(port), "the page")
        yield Past(folder / "journal.db", port, now)


def some(now: datetime) -> Iterator[list[Entry]]:
    """The entries, some at a time."""
    at = {}
    for ago in range(HOURS * 3600, 0, -PERIOD_S):
        at[ago] = Instant(now - timedelta(seconds=ago), float(-ago), "boot-1")
    usual = [
        replace(
            reading(0), at=at[ago], salinity=SPIKE if ago == 7000 else min(34.0, (3700 - ago) / 90)
        )
        if ago < 3600 or ago == 7000
        else replace(reading(0), at=at[ago], salinity=0.02)
        for ago in at
        if not GAP[0] <= ago < GAP[1]
    ]
    yield [*usual]
    began: dict[str, JSON] = {"from": "blank", "to": "dissolving", "why": "salinity rises"}
    yield [Event("mix-1", at[3600], "b-1", body_of(Kind.PHASE, began))]


def opened(windows: Windows, past: Past, query: str = "span=6h", **more: object) -> Page:
    """The trend in a window, once it is drawn."""
    page = windows.open(f"{past.address}/trend?{query}", **more)  # type: ignore[arg-type]
    page.locator(".plot.salinity canvas").first.wait_for()
    expect(page.locator(".reading")).to_have_text(re.compile(r"ppt|No usable"))
    return page


def stretch(page: Page) -> str:
    """From when to when the words of the page are."""
    return page.locator(".stretch strong").inner_text()


def asked(page: Page) -> dict[str, str]:
    """What the address of the window says."""
    return dict(each.split("=") for each in page.url.partition("?")[2].split("&"))


def test_the_pointer_reads_off_and_looks_closer(windows: Windows, past: Past) -> None:
    """Hovering gives figures with units, dragging shows that stretch, a double click goes back."""
    page = opened(windows, past)
    box = page.locator(".plot.salinity").bounding_box()
    assert box is not None
    whole = stretch(page)
    page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 80)
    expect(page.locator(".reading")).to_contain_text("°C, mixing")
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 80)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.7 * box["width"], box["y"] + 90, steps=3)
    page.mouse.up()
    expect(page.locator("[aria-current=true]")).to_have_count(0)
    closer = asked(page)
    expect(page.locator(".stretch strong")).not_to_have_text(whole)
    page.mouse.dblclick(box["x"] + 0.5 * box["width"], box["y"] + 80)
    expect(page.locator('[data-length="6h"]')).to_have_attribute("aria-current", "true")

    assert {"reservoir", "from", "to"} == set(closer)
    assert {"reservoir": "mix-1", "span": "6h"} == asked(page)


def test_everything_can_be_done_with_the_keys(windows: Windows, past: Past) -> None:
    """Closer, wider, earlier, back to now, and from point to point with each said aloud."""
    page = opened(windows, past, "span=1h")
    page.locator(".plot.salinity").focus()
    page.keyboard.press("+")
    expect(page.locator("[aria-current=true]")).to_have_count(0)
    half = asked(page)["span"]
    page.keyboard.press("ArrowLeft")
    expect(page.locator("[data-move=later]")).not_to_have_attribute("aria-disabled", "true")
    page.keyboard.press("Shift+ArrowLeft")
    first = page.locator(".spoken").inner_text()
    page.keyboard.press("Shift+ArrowLeft")
    second = page.locator(".spoken").inner_text()
    page.keyboard.press("Home")
    expect(page.locator("[data-move=later]")).to_have_attribute("aria-disabled", "true")
    page.keyboard.press("-")
    expect(page.locator(".plot.salinity")).to_be_focused()

    assert "1800s" == half
    assert [True, True] == ["ppt ±" in each for each in (first, second)]
    assert first != second


def test_each_length_is_drawn_and_its_address_leads_there(windows: Windows, past: Past) -> None:
    """Chosen by its link; the highest value is in the table of each that holds it."""
    page = opened(windows, past)
    for length in ("10min", "1h", "1d", "1w", "1m", "1y"):
        before = stretch(page)
        page.locator(f'[data-length="{length}"]').click()
        expect(page.locator("[aria-current=true]")).to_have_attribute("data-length", length)
        expect(page.locator(".stretch strong")).not_to_have_text(before)
        assert {"reservoir": "mix-1", "span": length} == asked(page)
        if length not in ("10min", "1h"):
            expect(page.locator("table.figures")).to_contain_text(f"{SPIKE}")
    page.reload()

    expect(page.locator("[aria-current=true]")).to_have_attribute("data-length", "1y")


def test_a_new_reading_comes_into_the_chart(windows: Windows, past: Past) -> None:
    """Without a reload, while one looks at now."""
    page = opened(windows, past, "span=10min")
    seconds_until(page, "live")
    past.add(31.23)

    expect(page.locator(".reading")).to_contain_text("31.23 ppt", timeout=PATIENCE_MS)


def test_a_chart_that_cannot_be_renewed_says_so(windows: Windows, past: Past) -> None:
    """And is up to date again once the station answers."""
    windows.expected = [CONNECTION_LOST, r"net::ERR_INTERNET_DISCONNECTED"]
    page = opened(windows, past, "span=10min")
    seconds_until(page, "live")
    page.context.set_offline(True)
    page.locator('[data-length="1h"]').click()
    expect(page.locator(".lost-readings")).to_contain_text("not up to date")
    page.context.set_offline(False)
    seconds_until(page, "lost")
    seconds_until(page, "live")

    expect(page.locator(".lost-readings")).to_be_hidden()


def test_a_chart_begins_with_the_journal(windows: Windows, tmp_path: Path) -> None:
    """Opened before anything was measured, it says so, and is drawn once something is."""
    windows.expected = ["503"]
    port, words = find_free_port(), ("daemon.publish", "--config")
    station = Station(tmp_path, speed=1, more=page_section(port))
    later = Past(tmp_path / "journal.db", port, datetime.now(UTC))
    with running("publish", *words, str(station.config), folder=tmp_path):
        wait_until(lambda: answers(port), "the page")
        page = windows.open(f"{later.address}/trend?span=10min")
        expect(page.locator(".lost-readings")).to_contain_text("there is none yet")
        later.add(12.34)
        expect(page.locator(".reading")).to_contain_text("12.34 ppt", timeout=PATIENCE_MS)
        expect(page.locator(".lost-readings")).to_be_hidden()
        windows.close()


def test_a_drawn_chart_fits_a_phone_and_axe_finds_nothing(windows: Windows, past: Past) -> None:
    """With marks, a gap and its key; by dark, since by light every page is looked at elsewhere."""
    page = opened(windows, past, size=PHONE, theme="dark")

    assert [] == wider_than_window(page)
    assert [] == violations(page)


def test_without_scripts_it_is_a_table_with_links(windows: Windows, past: Past) -> None:
    """No empty frame of a chart is left, and earlier is a step away."""
    page = windows.open(f"{past.address}/trend?span=1h", script=False)
    since = page.locator(".trend").get_attribute("data-from")
    page.locator("[data-move=earlier]").click()

    assert since is not None
    expect(page.locator(".trend")).to_have_attribute("data-to", since)
    expect(page.locator(".charts")).to_be_hidden()
    assert page.locator("table.figures tbody tr").count() > 1
