"""Acts that are one button: the same for every browser, and carried out once a press."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.forms import Press
from daemon.page.acts.offers import Offer, of_alarm, of_alarms
from daemon.page.request import Request
from daemon.page.serving import server
from tests.page.acting_parts import forms, post
from tests.page.page_parts import alarm_view, served, site_of, station_view
from tests.parts.inboxes import made

ALARM = replace(alarm_view(), since="2031-05-04T08:40:00.000Z")


@dataclass
class Bench:
    """A page, and what a window of it carries.

    Attributes:
        port: Of the page.
        desk: Takes its commands.
        inbox: Where they go.
        window: Fields of the one form that the buttons belong to.
    """

    port: int
    desk: CommandDesk
    inbox: Inbox
    window: dict[str, str]

    def press(self, press: Press, **change: str) -> tuple[int, str]:
        """Press a button; return how it is answered, and with which page or place."""
        reply = post(self.port, self.window | {"press": press.value} | change)
        return reply.status, reply.headers.get("Location", reply.text)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A window of somebody whose name is known."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends
    path = tmp_path / "journal.db"
    with Writer(path):
        pass
    inbox = made(path)
    desk = CommandDesk(("alarm.acknowledge",), ("mix-1",), inbox, Reader(path))
    with served(site_of(lambda: station_view(alarms=(ALARM,)), desk=desk)) as port:
        visitor = desk.visitor(Request("GET", "/"))
        yield Bench(port, desk, inbox, desk.press_form(visitor, "/") | {"who": "kim"})


def test_a_button_is_pressed_and_its_answer_shown_where_it_stood(bench: Bench) -> None:
    """Of what needs something filled in there is no button, nor of what is not allowed."""
    (press,) = bench.desk.presses(of_alarm(ALARM))
    status, place = bench.press(press)
    (waiting,) = bench.inbox.after(0)

    assert (303, True) == (
        status,
        place.endswith("&at=mix-1-alarms&kind=acknowledge#at-mix-1-alarms"),
    )
    assert ("alarm.acknowledge", "kim", "mix-1", {"name": "batch-off-target"}) == (
        waiting.verb, waiting.who, waiting.reservoir, waiting.facts,
    )  # fmt: skip


def test_a_button_holds_no_secret_and_is_the_same_for_every_window(bench: Bench) -> None:
    """So it may be part of what all of them are sent."""
    first, again = bench.desk.presses(of_alarm(ALARM)), bench.desk.presses(of_alarm(ALARM))

    assert first == again
    assert bench.window["token"] not in first[0].value


def test_a_button_pressed_twice_counts_once_until_there_is_something_new(bench: Bench) -> None:
    """A later alarm of the same name is another one, and so is a press in another window."""
    (press,) = bench.desk.presses(of_alarm(ALARM))
    (later,) = bench.desk.presses(of_alarm(replace(ALARM, since="2031-05-04T09:40:00.000Z")))
    places = [bench.press(each)[1] for each in (press, press, later)]
    bench.press(press, page="another-window")

    assert [False, True, False] == ["more=1" in each for each in places]
    assert 3 == len(bench.inbox.after(0))


def test_all_of_a_place_are_acknowledged_by_one_button(bench: Bench) -> None:
    """With the argument for all, and no name."""
    alarms = [ALARM, replace(ALARM, name="probe-fault")]
    (press,) = bench.desk.presses(of_alarms(alarms, "mix-1"))
    bench.press(press)

    assert [{"all": True}] == [each.facts for each in bench.inbox.after(0)]


def test_whose_name_is_not_known_is_asked_for_it_once(bench: Bench) -> None:
    """The press is kept meanwhile: with the name it is sent, and pressed again it counts once."""
    (press,) = bench.desk.presses(of_alarm(ALARM))
    status, page = bench.press(press, who="")
    form = forms(page)["acknowledge"]
    sent = post(bench.port, form | {"who": "lee"})
    again = bench.press(press)

    assert (400, True) == (status, 'name="who"' in page)
    assert "your name is needed, for the record" in page
    assert (303, True) == (sent.status, "brinewright-name=lee" in sent.headers["Set-Cookie"])
    assert "more=1" in again[1]
    assert ["lee"] == [each.who for each in bench.inbox.after(0)]


@pytest.mark.parametrize(
    "value",
    [
        "no JSON",
        "[]",
        '{"kind": 1}',
        '{"kind": "acknowledge", "kind": "discard"}',
        '{"kind": "discard", "reservoir": "mix-1"}',
        '{"kind": "acknowledge", "reservoir": "mix-9"}',
        json.dumps({"kind": "acknowledge", "name": "x" * 3000}),
    ],
)
def test_what_no_button_of_ours_carries_is_refused(bench: Bench, value: str) -> None:
    """With a sentence; nothing is sent."""
    status, _ = bench.press(Press("Acknowledge", value, "acknowledge"))

    assert (400, []) == (status, bench.inbox.after(0))


def test_a_button_without_its_window_is_refused(bench: Bench) -> None:
    """Nobody could say which press it is."""
    (press,) = bench.desk.presses([Offer("acknowledge", "mix-1", {"name": "batch-off-target"})])

    assert (400, []) == (bench.press(press, page="")[0], bench.inbox.after(0))
