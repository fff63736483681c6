"""The windows of these tests notice what must never happen: each is made to happen once."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest
from playwright.sync_api import Browser

from tests.browser.looks import height_and_foot, violations, wider_than_window
from tests.browser.windows import PHONE, TABLET, Windows
from tests.conftest import LOOPBACK

POLICY = "<meta http-equiv='Content-Security-Policy' content=\"script-src 'self'\">"


class Quiet(SimpleHTTPRequestHandler):
    """Serves a folder and says nothing of it."""

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - its name there
        """Say nothing."""


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """A folder that is served, and its address."""
    server = ThreadingHTTPServer((LOOPBACK, 0), partial(Quiet, directory=tmp_path))
    thread = Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield tmp_path, f"http://{LOOPBACK}:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.parametrize(
    "body, fault",
    [
        ("<img src='http://elsewhere.example/x.png'>", "beyond this machine: http://elsewhere"),
        ("<script src='alert.js'></script>", "dialog: here"),
        ("<script src='thrown.js'></script>", "script: "),
        ("<script src='gone.js'></script>", "console: Failed to load resource"),
        (f"{POLICY}<script>alert(1)</script>", "console: Executing inline script violates"),
    ],
)
def test_a_fault_in_a_window_is_noticed(
    browser: Browser, folder: tuple[Path, str], body: str, fault: str
) -> None:
    """A request beyond this machine, a dialog, an exception, a file that is not there, a policy."""
    place, address = folder
    (place / "favicon.ico").touch()
    (place / "alert.js").write_text("alert('here')")
    (place / "thrown.js").write_text("throw new Error('here')")
    (place / "index.html").write_text(f"<!doctype html>{body}")
    windows = Windows(browser)
    windows.open(address)
    windows.close()

    with pytest.raises(AssertionError, match=fault):
        windows.assert_no_fault()


def test_looks_are_measured(windows: Windows, folder: tuple[Path, str]) -> None:
    """Pale letters, a table too wide for a phone, a figure of a tenth of the window."""
    place, address = folder
    (place / "favicon.ico").touch()
    (place / "index.html").write_text(
        "<!doctype html><html lang=en><title>x</title><main><h1>x</h1>"
        "<p style='color:#ccc'>pale</p><p style='width:500px' class=wide>wide</p>"
        "<strong style='font-size:80px'>34</strong></main></html>"
    )
    tablet, phone = windows.open(address, TABLET), windows.open(address, PHONE)

    assert ["color-contrast"] == [each.partition(":")[0] for each in violations(tablet)]
    assert [] == wider_than_window(tablet)
    assert ["p.wide: 508"] == wider_than_window(phone)
    height, foot = height_and_foot(tablet, "strong")
    assert (0.1, True) == (height, 0.1 < foot < 0.5)
