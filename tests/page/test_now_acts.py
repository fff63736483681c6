"""The buttons of the page of the present: alarms acknowledged and questions answered where seen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest

from daemon.entries import JSON, Kind
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.now.now_page import live_parts
from daemon.page.serving import server
from daemon.page.view import StationView
from tests.page.acting_parts import post
from tests.page.page_parts import alarm_view, ask, reservoir_view, served, site_of, station_view
from tests.parts.inboxes import made
from tests.services.mqtt_parts import event

QUESTION: dict[str, JSON] = {
    "text": "is the probe out of the water, or was the vessel refilled?",
    "why": "the probe reads 0.00 ppt and read 34.02 ppt before",
    "since": "2031-05-04T08:48:00.000Z",
    "answers": ["probe-out", "same-water", "refilled"],
}
ALARMS = (
    alarm_view(),
    alarm_view(name="mixing-overdue", state="returned-unacknowledged", active=False),
    alarm_view(name="probe-disagrees", state="acknowledged"),
    alarm_view("", name="storage-low"),
)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """The writer of an empty journal."""
    with Writer(tmp_path / "journal.db") as one:
        yield one


@pytest.fixture
def inbox(tmp_path: Path, writer: Writer) -> Inbox:
    """The inbox beside it."""
    return made(tmp_path / "journal.db")


def desk_of(inbox: Inbox, folder: Path, *allowed: str) -> CommandDesk:
    """What takes these commands; time stands still for it."""
    reader = Reader(folder / "journal.db")
    return CommandDesk(allowed, ("mix-1",), inbox, reader, clock=lambda: 0.0)


@pytest.fixture
def desk(inbox: Inbox, tmp_path: Path) -> CommandDesk:
    """What takes acknowledgements and answers."""
    return desk_of(inbox, tmp_path, "alarm.acknowledge", "batch.answer")


@pytest.fixture
def port(desk: CommandDesk, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Where the page of a suspended batch with alarms is."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends

    def look() -> StationView:
        return station_view(reservoir_view(question=QUESTION), alarms=ALARMS)

    with served(site_of(look, desk=desk)) as one:
        yield one


def buttons(markup: str) -> dict[str, str]:
    """What each button carries, by what it says."""
    found = re.findall(r'<button class="press"[^>]* value="([^"]*)"[^>]*>([^<]*)<', markup)
    return {unescape(said): unescape(value) for value, said in found}


def press(page: str, said: str) -> dict[str, str]:
    """What a browser posts when a button of a page is pressed."""
    (form,) = re.findall(r'<form id="presses".*?</form>', page, re.DOTALL)
    hidden = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form)
    return {name: unescape(value) for name, value in hidden} | {"press": buttons(page)[said]}


def test_a_question_and_alarms_have_their_buttons_where_they_are_seen(port: int) -> None:
    """Each answer, each alarm that waits to be acknowledged, and all of a place at once."""
    page = ask(port).text

    assert [
        "Acknowledge",
        "The probe is out of the water",
        "The probe is in the water of the batch",
        "The vessel was refilled",
        "Acknowledge all 2",
    ] == list(buttons(page))
    assert 3 == page.count(">Acknowledge</button>")
    assert "Answer with" not in page


def test_the_same_buttons_are_in_the_live_parts(port: int, desk: CommandDesk) -> None:
    """Every browser is sent the same; what is its own stands in the form outside of them."""
    view = station_view(reservoir_view(question=QUESTION), alarms=ALARMS)
    pages, parts = (ask(port).text, ask(port).text), live_parts(view, desk.presses)

    for page in pages:
        assert all(f'data-part="{name}">{markup}</' in page for name, markup in parts.items())
    assert buttons(pages[0]) == buttons("".join(parts.values()))
    assert "<form" not in "".join(parts.values())
    assert pages[0] != pages[1]


def test_a_button_that_is_pressed_is_a_command_and_its_answer_is_shown_beside_it(
    port: int, inbox: Inbox, writer: Writer
) -> None:
    """Under the name that is known, in the panel of its reservoir."""
    page = ask(port).text
    sent = post(port, press(page, "The vessel was refilled") | {"who": "kim"})
    (waiting,) = inbox.after(0)
    where = sent.headers["Location"].partition("#")[0]
    before = ask(port, where).text
    facts = {"id": waiting.id, "verb": "batch.answer", "who": "kim", "via": "page"}
    writer.append([event(1, Kind.COMMAND, **facts, ok=True, answer="a new batch begins")], 0.0)
    after = ask(port, where).text

    assert ("batch.answer", "mix-1", "refilled") == (
        waiting.verb, waiting.reservoir, waiting.facts["answer"],
    )  # fmt: skip
    assert (303, True) == (sent.status, where.startswith("/?answer="))
    assert "Waiting for the answer" in before
    panel = after.partition('<section class="panel"')[2]
    assert "A new batch begins (recorded under kim)" in panel
    assert '<noscript><meta http-equiv="refresh" content="30; url=/"></noscript>' in after


def test_a_button_pressed_twice_counts_once(port: int, inbox: Inbox) -> None:
    """On one page; it is the same act."""
    fields = press(ask(port).text, "Acknowledge all 2") | {"who": "kim"}
    replies = [post(port, fields), post(port, fields)]
    (waiting,) = inbox.after(0)

    assert [303, 303] == [each.status for each in replies]
    assert ("alarm.acknowledge", {"all": True}) == (waiting.verb, waiting.facts)


def test_without_a_name_nothing_is_sent_before_it_is_given(port: int, inbox: Inbox) -> None:
    """The form comes back and asks for it."""
    reply = post(port, press(ask(port).text, "Acknowledge all 2"))

    assert 400 <= reply.status < 500
    assert "Your name" in reply.text
    assert [] == [*inbox.after(0)]


@pytest.mark.parametrize("allowed", [(), ("batch.note",)])
def test_what_may_not_be_sent_has_no_button(
    inbox: Inbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, allowed: tuple[str, ...]
) -> None:
    """Then the command stands there as text."""
    monkeypatch.setattr(server, "TICK_S", 0.05)
    desk = desk_of(inbox, tmp_path, *allowed) if allowed else None
    view = station_view(reservoir_view(question=QUESTION), alarms=ALARMS)

    with served(site_of(lambda: view, desk=desk)) as port:
        page = ask(port).text

    assert {} == buttons(page)
    assert "Answer with <code>brinewright batch answer --reservoir mix-1" in page
    assert ('id="presses"' in page) is bool(allowed)


def test_an_old_question_is_not_answered(inbox: Inbox, tmp_path: Path) -> None:
    """Measuring does not run, and the water may be another since."""
    desk = desk_of(inbox, tmp_path, "batch.answer")
    parts = live_parts(station_view(reservoir_view(age_s=7200.0, question=QUESTION)), desk.presses)

    assert {} == buttons("".join(parts.values()))
