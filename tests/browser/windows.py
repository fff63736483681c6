"""Windows of a real Chromium on the page, in which whatever is wrong is written down.

Nothing that a window does may reach beyond this machine, no script may complain, none that a
text brought along may open a dialog: each such fault fails the test whose window it was.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Dialog,
    Page,
    Request,
    sync_playwright,
)

from tests.conftest import LOOPBACK, PATIENCE_S

Theme = Literal["light", "dark"]
THEMES: tuple[Theme, ...] = ("light", "dark")
PHONE, TABLET, UPRIGHT, DESK, WALL = (360, 740), (1280, 800), (768, 1024), (1280, 900), (3840, 2160)
"""Width and height in CSS pixels: a small phone, a tablet on the wall and upright, a desk, 4K."""
CHROMIUM = ("chromium", "chromium-browser")
QUIET = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
    "--no-first-run",
    # No name but this machine's can even be looked up.
    f"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE {LOOPBACK}",
)
CONNECTION_LOST = r"net::ERR_(CONNECTION_\w+|EMPTY_RESPONSE|INCOMPLETE_CHUNKED_ENCODING|NETWORK\w*)"
"""What the browser says on its console when the service is gone."""


def find_chromium() -> str | None:
    """The path of the browser; None where there is none."""
    return next(filter(None, map(shutil.which, CHROMIUM)), None)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run the browser without a screen until the block ends."""
    found = find_chromium()
    assert found, "a browser is missing: sudo apt install chromium"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=list(QUIET))
        yield browser
        browser.close()


@dataclass
class Windows:
    """The windows of one test, each a profile of its own.

    Attributes:
        browser: Where they open.
        faults: What went wrong in any of them.
        expected: Patterns of console lines that the test brings about itself.
    """

    browser: Browser
    faults: list[str] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)
    _contexts: list[BrowserContext] = field(default_factory=list)

    def open(
        self,
        address: str,
        size: tuple[int, int] = DESK,
        theme: Theme = "light",
        *,
        script: bool = True,
    ) -> Page:
        """Open an address in a new window.

        Args:
            address: Where to go.
            size: Width and height of what the window shows, CSS pixels.
            theme: What the system prefers.
            script: Whether scripts run.
        """
        width, height = size
        context = self.browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=theme,
            java_script_enabled=script,
            locale="en-GB",
            reduced_motion="reduce",  # a picture of a moment, the same each time
        )
        self._contexts.append(context)
        context.set_default_timeout(PATIENCE_S * 1000.0)
        context.on("request", self._note_request)
        context.on("console", self._note_console)
        context.on("dialog", self._note_dialog)
        context.on("weberror", lambda error: self.faults.append(f"script: {error.error}"))
        page = context.new_page()
        page.goto(address)
        return page

    def close(self) -> None:
        """Close all of them."""
        for each in self._contexts:
            each.close()
        self._contexts.clear()

    def assert_no_fault(self) -> None:
        """Assert that nothing went wrong but what was expected to."""
        known = re.compile("|".join(self.expected) or r"(?!)")
        unexpected = [each for each in self.faults if not known.search(each)]
        assert not unexpected, "\n".join(unexpected)

    def _note_request(self, request: Request) -> None:
        where = urlsplit(request.url)
        if where.scheme not in {"data", "blob"} and where.hostname != LOOPBACK:
            self.faults.append(f"asked beyond this machine: {request.url}")

    def _note_console(self, message: ConsoleMessage) -> None:
        # What breaks the content security policy is an error here too.
        if message.type in {"error", "warning", "assert"}:
            self.faults.append(f"console: {message.text} ({message.location.get('url', '')})")

    def _note_dialog(self, dialog: Dialog) -> None:
        self.faults.append(f"dialog: {dialog.message}")
        dialog.dismiss()


@contextmanager
def windows_of(browser: Browser) -> Iterator[Windows]:
    """Open windows until the block ends, which fails if anything went wrong in one of them."""
    windows = Windows(browser)
    try:
        yield windows
    finally:
        windows.close()
    windows.assert_no_fault()
