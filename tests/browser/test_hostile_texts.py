"""Markup in a name or a note shows as text on every page, and nothing of it runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.hostile_station import LABEL, NAME, write_hostile_station
from tests.browser.liveness import seconds_until
from tests.browser.pages import PAGES, path_of
from tests.browser.served import answers, page_section
from tests.browser.windows import PHONE, Windows
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.services.service_parts import Station, running

SHOWN_ON = {"now"}
"""Pages that cannot do without a text of somebody's."""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """The address of a page whose station is hostile, and the name of its batch."""
    folder, port = tmp_path_factory.mktemp("hostile"), find_free_port()
    batch = write_hostile_station(folder / "journal.db")
    station = Station(folder, speed=1, more=page_section(port, "batch.note", "alarm.unshelve"))
    label(station.config)
    words = ("daemon.publish", "--config", str(station.config))
    with running("publish", *words, folder=folder):
        wait_until(lambda: answers(port), "the page")
        yield f"http://{LOOPBACK}:{port}", batch


def label(config: Path) -> None:
    """Give the station and its reservoir hostile labels."""
    text = config.read_text()
    for section in ("[station]", "[[reservoir]]"):
        text = text.replace(f"{section}\n", f"{section}\nlabel = '{LABEL}'\n", 1)
    config.write_text(text)


def test_markup_shows_as_text(windows: Windows, hostile: tuple[str, str]) -> None:
    """On every page, live: no element of it is there, no script ran, nothing was asked for."""
    address, batch = hostile
    page = windows.open(address, PHONE)
    shown = {}
    for name in PAGES:
        page.goto(f"{address}{path_of(name, batch)}")
        seconds_until(page, "live")
        shown[name] = page.locator("main").inner_text()
        assert (name, 0) == (name, page.locator("#hostile").count())
        assert LABEL in page.locator("header").inner_text()

    assert SHOWN_ON <= {name for name, text in shown.items() if NAME in text}
