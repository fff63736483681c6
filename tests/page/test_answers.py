"""What is said of a command by its id: answered, waiting, taken long ago, or never sent."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from daemon.entries import Kind
from daemon.journal.inbox import Inbox
from daemon.journal.reader import ANSWERS_AMONG, Reader
from daemon.journal.writer import Writer
from daemon.page.acts.answers import POLLS
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.serving import server
from tests.page.page_parts import ask, served, site_of, station_view
from tests.parts.inboxes import made
from tests.services.mqtt_parts import event


@dataclass
class Bench:
    """A page that takes commands, with the journal and the inbox beside it."""

    port: int
    path: Path
    inbox: Inbox

    def tool(self, id_: str) -> tuple[int, dict[str, Any]]:
        """What a tool learns of a command."""
        reply = ask(self.port, f"/command?id={quote(id_)}")
        found: dict[str, Any] = json.loads(reply.body)
        return reply.status, found

    def browser(self, id_: str, looks: int = 0) -> str:
        """What a browser shows of it."""
        return ask(self.port, f"/act?answer={quote(id_)}&look={looks}").text

    def send(self, id_: str) -> None:
        """Have a command wait."""
        self.inbox.submit(id_, "kim", "page", "batch.note", "mix-1", {"text": "x"})

    def answer(self, *ids: str) -> None:
        """Write answers, as measuring does."""
        with Writer(self.path) as writer:
            told = [
                event(
                    1,
                    Kind.COMMAND,
                    id=id_,
                    answer="noted",
                    verb="batch.note",
                    who="kim",
                    via="page",
                    ok=True,
                )
                for id_ in ids
            ]
            writer.append(told, 0.0)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """One with an empty journal."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends
    path = tmp_path / "journal.db"
    with Writer(path):
        pass
    inbox = made(path)
    desk = CommandDesk(("batch.note",), ("mix-1",), inbox, Reader(path), clock=lambda: 0.0)
    with served(site_of(station_view, desk=desk)) as port:
        yield Bench(port, path, inbox)


@pytest.mark.parametrize("id_", ["never-sent", "a' OR 1=1 --", "%", "\U0001f41f"])
def test_an_id_that_was_never_sent_is_not_known(bench: Bench, id_: str) -> None:
    """Nothing is claimed to wait, with an inbox, and one that holds another command."""
    status, told = bench.tool(id_)
    page = bench.browser(id_)
    bench.send("another")

    assert (HTTPStatus.NOT_FOUND, id_, None) == (status, told["id"], told["ok"])
    assert told["answer"].startswith("no command with this id is known")
    assert "No command with this id is known" in page
    assert "waits until" not in page
    assert (status, told) == bench.tool(id_)


def test_a_command_that_waits_is_said_to_wait(bench: Bench) -> None:
    """Until it is answered; a browser looks each second, and later at its usual pace."""
    bench.send("a")
    waiting, first, last = bench.tool("a"), bench.browser("a"), bench.browser("a", POLLS)
    bench.answer("a")
    bench.inbox.taken(1)

    assert (HTTPStatus.OK, None, True) == (
        waiting[0],
        waiting[1]["ok"],
        "waits until it is" in waiting[1]["answer"],
    )
    assert ("Waiting for the answer" in first, "It waits" in last) == (True, True)
    assert (HTTPStatus.OK, True, "noted") == (
        bench.tool("a")[0],
        bench.tool("a")[1]["ok"],
        bench.tool("a")[1]["answer"],
    )


def test_an_answer_counts_before_the_inbox_is_told(bench: Bench) -> None:
    """Measuring writes it into the journal first; a kill between leaves the command waiting."""
    bench.send("a")
    bench.answer("a")

    assert "noted" == bench.tool("a")[1]["answer"]


def test_an_answer_beyond_the_newest_is_said_to_be_old(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the inbox still knows that the command was taken; then it is not known any more."""
    monkeypatch.setattr("daemon.journal.reader.ANSWERS_AMONG", 2)
    monkeypatch.setattr("daemon.journal.inbox.MOST_TAKEN", 2)
    for id_ in "abc":
        bench.send(id_)
    bench.answer("a", "b", "c")
    bench.inbox.taken(2)
    status, told = bench.tool("a")
    page = bench.browser("a")
    bench.inbox.taken(3)
    later = bench.tool("a")

    assert (HTTPStatus.NOT_FOUND, None) == (status, told["ok"])
    assert told["answer"].startswith("this command was taken, and its answer is no longer among")
    assert f"the newest {ANSWERS_AMONG} events" in told["answer"]
    assert "This command was taken" in page
    assert later[1]["answer"].startswith("no command with this id is known")


def test_without_a_journal_a_command_waits_and_another_is_not_claimed_to(bench: Bench) -> None:
    """What cannot be looked up is a service that is not there, not an id that is not known."""
    bench.path.unlink()
    bench.send("a")
    status, told = bench.tool("never-sent")
    waiting = bench.tool("a")

    assert (HTTPStatus.SERVICE_UNAVAILABLE, None) == (status, told["ok"])
    assert "waits" not in bench.browser("never-sent")
    assert (HTTPStatus.OK, None) == (waiting[0], waiting[1]["ok"])
    assert "is carried out when measuring runs" in waiting[1]["answer"]


def test_a_spoilt_inbox_hides_no_answer(bench: Bench) -> None:
    """What the journal has is told; of the rest it is said that the inbox cannot be read."""
    bench.inbox.path.write_bytes(b"no database, and long enough to be taken for one" * 100)
    bench.answer("a")

    assert "noted" == bench.tool("a")[1]["answer"]
    assert HTTPStatus.SERVICE_UNAVAILABLE == bench.tool("b")[0]
    assert "inbox" in bench.tool("b")[1]["answer"]
