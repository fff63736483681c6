"""One browser for all tests of this folder, and windows that write down what goes wrong."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.windows import Windows, chromium, windows_of


# Of the folder and not of the session: while its driver runs, no other test of the same process
# could run an event loop of its own.
@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """A real Chromium without a screen."""
    with chromium() as one:
        yield one


@pytest.fixture
def windows(browser: Browser) -> Iterator[Windows]:
    """Windows of one test; it fails if anything goes wrong in one of them."""
    with windows_of(browser) as some:
        yield some
