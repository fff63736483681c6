"""Forms in a window whose scripts are turned off: what is wrong, and what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.entries import Kind
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.access import TokenAccess
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.serving import server
from tests.browser.windows import PHONE, Windows
from tests.conftest import LOOPBACK
from tests.page.page_parts import reservoir_view, served, site_of, station_view
from tests.parts.inboxes import made
from tests.services.mqtt_parts import event

TOKEN = "granite-wharf-27-lantern"


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """Writes answers, in the place of measuring."""
    with Writer(tmp_path / "journal.db") as one:
        yield one


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    """Where commands go."""
    return made(tmp_path / "journal.db")


@pytest.fixture
def address(
    writer: Writer, inbox: Inbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[str]:
    """Where a released batch can be used, behind a token."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends
    journal = Reader(tmp_path / "journal.db")
    desk = CommandDesk(("batch.use",), ("mix-1",), inbox, journal, TokenAccess(TOKEN))
    with writer, served(site_of(lambda: station_view(reservoir_view()), desk=desk)) as port:
        yield f"http://{LOOPBACK}:{port}"


def test_litres_are_recorded_without_a_script(
    windows: Windows, address: str, inbox: Inbox, writer: Writer
) -> None:
    """Signed in; what may mean two things is asked about beside its field; the answer comes."""
    windows.expected = ["status of 400"]
    page = windows.open(f"{address}/act", PHONE, script=False)
    page.get_by_role("link", name="Sign in").click()
    page.get_by_label("Token of this station").fill(TOKEN)
    page.get_by_label("Your name").fill("kim <b>")
    page.get_by_role("button", name="Sign in").click()
    litres = page.get_by_label("Litres used")
    litres.fill("1,000")
    page.get_by_role("button", name="Record as used").click()
    described = litres.get_attribute("aria-describedby") or ""
    error = page.locator(f"#{described.split()[-1]}").inner_text()
    kept = litres.input_value()
    litres.fill("40,5 l")
    page.get_by_role("button", name="Record as used").click()
    page.get_by_text("Waiting for the answer").wait_for()
    (sent,) = inbox.after(0)
    facts = {"id": sent.id, "verb": sent.verb, "who": sent.who, "via": sent.via}
    writer.append([event(1, Kind.COMMAND, **facts, ok=True, answer="40.5 L used")], 0.0)
    page.get_by_text("40.5 L used (recorded under kim <b>)").wait_for()

    assert ("1,000", True) == (kept, "may mean 1000 or 1.000" in error)
    assert {"batch": "mix-1-20310504", "volume_l": 40.5} == sent.facts
