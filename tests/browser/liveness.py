"""Whether a page is live, as a person reads it and as it says in its root."""

from __future__ import annotations

import time
from typing import Literal

from playwright.sync_api import Page, expect

Liveness = Literal["live", "lost"]
MARK = "window.brinewrightMark"


def seconds_until(page: Page, state: Liveness, within_s: float = 60.0) -> float:
    """Wait until a page says that it is live, or not any more; return how long that took, s."""
    began_s = time.monotonic()
    expect(page.locator("html")).to_have_attribute("data-live", state, timeout=within_s * 1000.0)
    return time.monotonic() - began_s


def words_of_liveness(page: Page) -> str:
    """What the page says of it to everybody."""
    return page.locator("header [role=status]").inner_text()


def mark(page: Page) -> None:
    """Leave something in a page that a reload would take away."""
    page.evaluate(f"{MARK} = true")


def is_marked(page: Page) -> bool:
    """Whether a page has not been loaded again since it was marked."""
    return bool(page.evaluate(f"{MARK} === true"))


def sleep(page: Page) -> None:
    """Put a page to sleep, as a phone does in a pocket: hidden, no timer runs, nothing is read."""
    _set_hidden(page, "true")
    _set_lifecycle(page, "frozen")


def wake(page: Page) -> None:
    """Wake a page that sleeps, and look at it."""
    _set_lifecycle(page, "active")
    _set_hidden(page, "false")


def _set_hidden(page: Page, hidden: str) -> None:
    """Say that nobody sees the page; a browser without a screen never hides one of its own."""
    page.evaluate(
        f"""() => {{
            Object.defineProperty(document, "hidden", {{ value: {hidden}, configurable: true }});
            document.dispatchEvent(new Event("visibilitychange"));
        }}"""
    )


def _set_lifecycle(page: Page, state: str) -> None:
    page.context.new_cdp_session(page).send("Page.setWebLifecycleState", {"state": state})
