"""A page of forms that stays open: what it says of the water is of now, and typing is not lost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.serving.live import LiveStreams
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.view import StationView
from tests.browser.looks import violations
from tests.browser.windows import PHONE, Windows
from tests.conftest import LOOPBACK
from tests.page.page_parts import display_settings, reservoir_view, station_view
from tests.page.test_live_served import live

SOON_S = 0.1


@dataclass
class Water:
    """What the page sees, changed by a test."""

    phase: str = "ready"
    seq: int = 1

    def look(self) -> StationView:
        """The view of now."""
        return replace(station_view(reservoir_view(phase=self.phase)), last_seq=self.seq)


def test_water_that_expires_is_not_called_released_on_an_open_page(
    windows: Windows, tmp_path: Path
) -> None:
    """The words change, a line says that other acts make sense by now, and the forms stay."""
    water, nowhere = Water(), tmp_path / "no-journal.db"
    desk = CommandDesk(("batch.use", "batch.note"), ("mix-1",), Inbox(nowhere), Reader(nowhere))
    made = make_site(Sources(water.look, nowhere, (display_settings(),)), desk=desk)
    streams = LiveStreams(made.live.streams, water.look, SOON_S)
    with live(replace(made, live=streams)) as port:
        page = windows.open(f"http://{LOOPBACK}:{port}/act", PHONE)
        changed = page.get_by_text("what can be done here is not what it was")
        page.get_by_label("Litres used").fill("40")
        page.locator("html[data-live=live]").wait_for()
        before = (page.get_by_text("Released: may be used").is_visible(), changed.is_visible())
        water.phase, water.seq = "stale", 2
        page.get_by_text("Expired: not to be used").wait_for()
        changed.wait_for()
        after = page.get_by_text("Released: may be used").count()
        kept = page.get_by_label("Litres used").input_value()
        faults = violations(page)
        page.get_by_role("link", name="Load it again").click()
        page.get_by_label("Litres used").wait_for(state="detached")
        page.close()

    assert ((True, False), 0, "40") == (before, after, kept)
    assert [] == faults
