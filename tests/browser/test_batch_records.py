"""Batches in a real browser: charts beside their tables, by pointer, keyboard and eye."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from threading import Event as Signal
from threading import Thread
from urllib.parse import quote

import pytest

from daemon.journal.writer import Writer
from daemon.page.serving.server import listening, serve
from tests.browser.looks import photograph, photograph_themes, violations, wider_than_window
from tests.browser.windows import DESK, PHONE, UPRIGHT, WALL, Windows
from tests.conftest import LOOPBACK, find_free_port
from tests.parts.batch_scene import MadeBatch, lot_with, many, write_scene
from tests.unit.page.batches.parts import site_over

HOSTILE = '<img src=x onerror="alert(1)">'
NOW = MadeBatch("mix-1-now", many(20)[19].began, then=(), minutes=60.0, note=HOSTILE)
COMPARED = "/batches/compare?" + "&".join(f"batch={each.id}" for each in (*many(7), NOW))
CHARTS = {
    "batch": f"/batches/{many(1)[0].id}",
    "batch-now": f"/batches/{NOW.id}",
    "batches-compared": COMPARED,
    "lots": "/lots",
}


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of seven batches with two lots, and one that mixes."""
    path = tmp_path_factory.mktemp("batches") / "journal.db"
    made = many(7)
    lots = [
        lot_with("blue-7", [0.868, 0.871, 0.866, 0.83], made[::2]),
        lot_with(HOSTILE, [0.861], made[1:]),
    ]
    write_scene(path, [*made, NOW], lots=lots, present=NOW.id)
    return path


@pytest.fixture
def address(journal: Path) -> Iterator[str]:
    """Where a page over that journal is served."""
    site, port, stop = site_over(journal), find_free_port(), Signal()
    channel = listening(LOOPBACK, port)
    thread = Thread(
        target=serve, args=(site.application, channel, stop), kwargs={"live": site.live}
    )
    thread.start()
    yield f"http://{LOOPBACK}:{port}"
    stop.set()
    thread.join(10)
    channel.close()


@pytest.mark.parametrize("name", CHARTS)
def test_each_chart_is_drawn_and_everybody_can_use_its_page(
    address: str, windows: Windows, name: str
) -> None:
    """On a phone, upright, at a desk and on a wall; nothing is cut, nothing bars anybody."""
    page = windows.open(address + CHARTS[name], DESK)
    page.wait_for_selector("figure.chart:not([hidden]) canvas")
    assert [] == violations(page)
    photograph_themes(page, name)
    for width, height in (PHONE, UPRIGHT, WALL):
        page.set_viewport_size({"width": width, "height": height})
        assert [] == wider_than_window(page)
        if width != UPRIGHT[0]:
            photograph(page, f"{name}-{width}")


def test_the_list_leads_to_a_comparison(address: str, windows: Windows) -> None:
    """Two are ticked; their curves come with letters, and can be looked at near the target."""
    page = windows.open(f"{address}/batches", PHONE)
    assert [] == violations(page)
    photograph(page, "batches-360")
    for width, height in (PHONE, UPRIGHT, DESK):
        page.set_viewport_size({"width": width, "height": height})
        assert [] == wider_than_window(page)
    for each in many(2):
        page.get_by_role("checkbox", name=f"Compare {each.id}").check()
    page.get_by_role("button", name="Lay the ticked over one another").click()
    page.wait_for_selector(".plot .letter")
    near = page.get_by_role("button", name="Near the target")
    near.click()

    assert ["A", "B"] == page.locator(".plot .letter").all_inner_texts()
    assert "true" == near.get_attribute("aria-pressed")


def test_a_curve_is_read_by_keys_alone(address: str, windows: Windows) -> None:
    """From its first reading to its last, with ± and temperature."""
    page = windows.open(address + CHARTS["batch"])
    page.wait_for_selector("figure.chart:not([hidden]) canvas")
    readout = page.locator(".readout")
    page.locator(".plot").focus()
    page.keyboard.press("Home")
    first = readout.inner_text()
    page.keyboard.press("End")

    assert "−5 min: 0.05 ± 0.18 ppt, 24.5 °C" == first
    assert readout.inner_text().startswith("85 min: 33.")
    page.keyboard.press("Escape")
    assert "arrow keys" in readout.inner_text()


def test_without_scripts_every_page_can_be_read(address: str, windows: Windows) -> None:
    """The tables have what the charts draw; no empty frame of a chart is left."""
    page = windows.open(f"{address}/batches", script=False)
    for path in ("/batches", *CHARTS.values()):
        page.goto(address + path)
        assert page.locator("table").count(), path
        assert not page.locator("figure.chart:visible").count(), path


def test_markup_in_names_and_notes_is_text(address: str, windows: Windows) -> None:
    """Nothing of it becomes an element, in any page or chart."""
    page = windows.open(f"{address}/lots")
    page.wait_for_selector("figure.chart:not([hidden]) canvas")
    assert HOSTILE in page.locator("main").inner_text()
    page.goto(f"{address}/batches/{quote(NOW.id)}")
    page.wait_for_selector("figure.chart:not([hidden]) canvas")

    assert HOSTILE in page.locator("main").inner_text()
    assert not page.locator("main img").count()


def test_a_record_that_changes_says_so(journal: Path, address: str, windows: Windows) -> None:
    """A page that stays open is not taken for the present; it leads to the record as it is now."""
    # Half a minute passes at once, in which the stream of the page sends nothing.
    windows.expected.append("net::ERR")
    page = windows.open("about:blank")
    page.clock.install()
    page.goto(address + CHARTS["batch-now"])
    page.wait_for_selector("figure.chart:not([hidden]) canvas")
    changed = page.get_by_text("This record has changed since it was loaded.")
    assert not changed.is_visible()
    with Writer(journal) as writer:
        writer.append([NOW.command(59.5, "batch.note", text="the lid was open")], 0.0)
    page.clock.run_for(31_000)
    changed.wait_for()
    page.get_by_role("link", name="Load it again").click()

    page.get_by_text("the lid was open").first.wait_for()
