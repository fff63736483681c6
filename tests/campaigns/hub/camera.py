"""The example dashboard in the real hub, as a phone and a desk show it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml  # type: ignore[import-untyped]
from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).parents[3]
DASHBOARD = ROOT / "deploy" / "dashboard.yaml"
PHONE, DESK = (360, 800), (1280, 900)
"""Width and height, CSS pixels: the narrowest phone in use, and a common desk."""
PATIENCE_MS = 40_000
SETTLE_MS = 1500
"""Icons and charts come after the text."""

CUT = """(() => {
  const cut = [];
  const walk = (node) => {
    if (node.nodeType === Node.ELEMENT_NODE) {
      const style = getComputedStyle(node);
      const hides = ["hidden", "clip"].includes(style.overflowX);
      const own = [...node.childNodes].some((each) => each.nodeType === Node.TEXT_NODE
        && each.textContent.trim());
      if (hides && node.scrollWidth > node.clientWidth + 1 && node.clientWidth > 0
          && (own || style.textOverflow === "ellipsis") && node.innerText?.trim()) {
        cut.push(node.innerText.trim());
      }
    }
    if (["SCRIPT", "STYLE", "TEMPLATE"].includes(node.nodeName)) return;
    for (const child of node.shadowRoot?.childNodes ?? []) walk(child);
    for (const child of node.childNodes) walk(child);
  };
  walk(document.body);
  const wide = document.documentElement.scrollWidth > innerWidth ? ["the page is too wide"] : [];
  return [...new Set([...cut, ...wide])];
})()"""
"""Texts that end in dots or behind an edge, in all nested trees of the page."""


@dataclass
class Camera:
    """Looks at the hub's page.

    Attributes:
        page: Of a real browser.
        url: Of the hub.
        folder: Where pictures go.
    """

    page: Page
    url: str
    folder: Path

    def take(self, name: str, until: str) -> None:
        """Take a picture at both widths.

        Args:
            name: Of the pictures.
            until: A text that the page shows when it is all there.

        Raises:
            AssertionError: Some text of the page is cut.
        """
        cut = []
        for size, word in ((PHONE, "phone"), (DESK, "desk")):
            self.page.set_viewport_size({"width": size[0], "height": size[1]})
            self.page.goto(f"{self.url}/lovelace/mix-1")
            self.page.get_by_text(until).first.wait_for(timeout=PATIENCE_MS)
            self.page.wait_for_timeout(SETTLE_MS)
            self.page.screenshot(path=self.folder / f"{name}-{word}.png", full_page=True)
            cut += [f"{word}: {text}" for text in self.page.evaluate(CUT)]
        assert not cut, f"cut on the dashboard {name!r}: {cut}"


@contextmanager
def camera(rig: Any, folder: Path) -> Iterator[Camera]:  # noqa: ANN401 - of the rig
    """A browser on this machine, before a hub that shows the example dashboard.

    Args:
        rig: Broker and hub.
        folder: Where pictures go.
    """
    load_dashboard(rig)
    with sync_playwright() as tools:
        browser = tools.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-first-run", "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"],
        )
        try:
            yield Camera(browser.new_page(device_scale_factor=2), rig.hub.url, folder)
        finally:
            browser.close()


def load_dashboard(rig: Any) -> None:  # noqa: ANN401 - of the rig
    """Give the hub the example dashboard."""
    text = DASHBOARD.read_text(encoding="utf-8")
    rig.hub.ask("lovelace/config/save", config=yaml.safe_load(text))
