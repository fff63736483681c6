"""A real browser for the tests of documents: how many sides of paper a page takes."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

CHROMIUM = ("chromium", "chromium-browser")
PRINTED_S = 300
USUAL = "Letter"
"""The paper that the browser prints on where nobody says otherwise."""


def printed(html: str, folder: Path, paper: str = USUAL) -> int:
    """Print a page and return how many sides it takes.

    Args:
        html: The page.
        folder: For its files.
        paper: Size as CSS names it: Letter or A4.
    """
    page, out = folder / "page.html", folder / "page.pdf"
    if paper != USUAL:
        # With another style the page's own policy would no longer apply any.
        html = re.sub(r"style-src [^\"]*", "style-src 'unsafe-inline'", html, count=1)
        html = html.replace("@page {", f"@page {{ size: {paper};", 1)
    page.write_text(html, encoding="utf-8")
    run(folder, "--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri())
    return max(map(int, re.findall(rb"/Type\s*/Pages\s*/Count (\d+)", out.read_bytes())))


def run(folder: Path, *words: str) -> str:
    """Run the browser once without a screen, with a profile of its own."""
    found = next(filter(None, map(shutil.which, CHROMIUM)), None)
    assert found, "a browser is missing: sudo apt install chromium"
    usual = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    profile = f"--user-data-dir={folder / 'profile'}"
    done = subprocess.run(
        [found, *usual, profile, *words], check=True, capture_output=True, timeout=PRINTED_S
    )
    return done.stdout.decode()
