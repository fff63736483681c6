"""What can be measured of how a page looks, and its pictures."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.browser.windows import THEMES, Theme
from tests.docs.guides import ROOT

FOLDER = os.environ.get("BRINEWRIGHT_PICTURES", "")
PICTURES = Path(FOLDER) if FOLDER else ROOT / ".pictures"
"""Where pictures are kept; who names a folder gets every window by light and by dark."""
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
"""WCAG 2.2 at level AA, and what axe-core recommends beyond it."""
TWO_METRES = 1.0 / 20.0
"""Least height of what is read from two metres, in heights of the window: our own choice."""


def photograph(page: Page, name: str) -> None:
    """Keep a picture of what the window shows, and of all that it can be scrolled to."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    # Written here: the driver would start a thread for it, and keep that.
    (PICTURES / f"{name}.png").write_bytes(page.screenshot(full_page=True))


def photograph_theme(page: Page, name: str, theme: Theme) -> None:
    """Keep a picture of a page by light or by dark, which it stays."""
    page.emulate_media(color_scheme=theme)
    photograph(page, f"{name}-{theme}")


def photograph_themes(page: Page, name: str) -> None:
    """Keep a picture of a page by light and by dark; it is left light."""
    for theme in reversed(THEMES):
        photograph_theme(page, name, theme)


def violations(page: Page) -> list[str]:
    """What axe-core finds against the rules, each with its place and the reason."""
    found: list[dict[str, Any]] = Axe().run(page, options=RULES).response["violations"]
    return [
        f"{each['id']}: {' '.join(node['target'])}: {node['failureSummary']}"
        for each in found
        for node in each["nodes"]
    ]


def wider_than_window(page: Page) -> list[str]:
    """The elements that make a page scroll sideways, with their right edges, CSS pixels."""
    found: list[str] = page.evaluate(
        """() => {
            const width = document.documentElement.clientWidth;
            if (document.documentElement.scrollWidth <= width) return [];
            return [...document.body.querySelectorAll('*')]
                .map(each => [each, each.getBoundingClientRect().right])
                .filter(([, right]) => right > width + 0.5)
                .map(([each, right]) => `${each.localName}.${each.className}: ${right}`);
        }"""
    )
    return found


def height_and_foot(page: Page, selector: str) -> tuple[float, float]:
    """Height of the letters of what is shown, and how far down it ends, in heights of the window.

    Asked in one breath, as a live page may put another element in its place at any time.  The box
    of a line of text is higher than its letters; the size of the letters is taken.
    """
    height, foot = page.evaluate(
        """selector => {
            const each = document.querySelector(selector);
            const size = parseFloat(getComputedStyle(each).fontSize);
            const box = each.getBoundingClientRect();
            return [Math.min(size, box.height) / innerHeight, box.bottom / innerHeight];
        }""",
        selector,
    )
    return float(height), float(foot)
