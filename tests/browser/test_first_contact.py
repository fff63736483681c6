"""What a person sees who opens the page before anything has been measured."""

from __future__ import annotations

from pathlib import Path

from tests.browser.liveness import seconds_until
from tests.browser.looks import photograph, violations, wider_than_window
from tests.browser.pages import PAGES, path_of
from tests.browser.served import answers, page_section
from tests.browser.windows import PHONE, Windows
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.services.service_parts import Station, running

NO_READINGS = r"status of 503.*/api/readings"
MISSING = ("Nothing has been measured yet", "there is none yet")


def test_every_page_says_that_nothing_has_been_measured(tmp_path: Path, windows: Windows) -> None:
    """Without a journal each page is whole, live, and says what is missing."""
    windows.expected = [NO_READINGS]
    port = find_free_port()
    station = Station(tmp_path, speed=1, more=page_section(port, "batch.start", "lot.add"))
    words = ("daemon.publish", "--config", str(station.config))
    with running("publish", *words, folder=tmp_path) as process:
        wait_until(lambda: answers(port), "the page")
        page = windows.open(f"http://{LOOPBACK}:{port}/", PHONE)
        found = {}
        for name in PAGES:
            page.goto(f"http://{LOOPBACK}:{port}{path_of(name, 'mix-1-20310504-1')}")
            seconds_until(page, "live")
            photograph(page, f"first-{name}-360")
            text = page.locator("main").inner_text()
            said = [each for each in MISSING if each in text]
            found[name] = (bool(said), wider_than_window(page), violations(page))
        windows.close()

    assert dict.fromkeys(PAGES, (True, [], [])) == found
    assert "Traceback" not in "\n".join(process.output_lines)
