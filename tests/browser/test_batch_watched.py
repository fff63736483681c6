"""A released batch in real windows of every size, by light and by dark."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page

from daemon.entries import Phase
from tests.browser.looks import photograph_themes, wider_than_window
from tests.browser.served import ServedStation, served_station
from tests.browser.windows import PHONE, TABLET, UPRIGHT, WALL, Windows
from tests.services.service_parts import assert_plain_speech

SIZES = {360: PHONE, 768: UPRIGHT, 1280: TABLET, 3840: WALL}
PAGES = {"now": "/"}


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedStation]:
    """A station whose batch has been released."""
    with served_station(tmp_path_factory.mktemp("released"), "plain-batch") as served:
        served.station.wait_for(Phase.READY)
        yield served
        assert_plain_speech(served.publish)
        assert_plain_speech(served.measure)


@pytest.fixture(params=SIZES.values(), ids=[f"{width}px" for width in SIZES])
def page(released: ServedStation, windows: Windows, request: pytest.FixtureRequest) -> Page:
    """A window of one size."""
    return windows.open(released.address(), request.param)


@pytest.mark.parametrize("name", PAGES)
def test_every_page_fits_every_window(released: ServedStation, page: Page, name: str) -> None:
    """Nothing scrolls sideways; a picture by light and by dark is kept."""
    page.goto(released.address(PAGES[name]))
    assert page.viewport_size is not None

    photograph_themes(page, f"{name}-{page.viewport_size['width']}")
    assert [] == wider_than_window(page)
