"""Commands by every way into the running service: at once by the bell, and without it too."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.entries import Kind
from daemon.journal.bell import bell_path
from daemon.journal.inbox import Inbox, beside
from tests.conftest import Broker, find_free_port, wait_until
from tests.page.acting_parts import forms, post
from tests.page.page_parts import ask
from tests.parts.events import facts_in
from tests.parts.every_verb import run_here
from tests.services.mqtt_parts import STATION, present
from tests.services.service_parts import Station as Running
from tests.services.service_parts import assert_plain_speech, running
from tests.services.test_page_process import answers, page_on

BEFORE_S = 0.5
"""So long measuring slept when it had no bell."""
TRIES = 3
HERE = f"brinewright/{STATION}/availability"


class Ways:
    """A running service, and a command into it by each way; each returns when it was on its way."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        """Configure it."""
        self.broker, self.port = broker, find_free_port()
        more = [page_on(self.port), 'commands = ["lot.add"]']
        more += [f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}', 'commands = ["lot.add"]']
        self.station = Running(folder, speed=1.0, more="\n".join(more))
        self.inbox = Inbox(beside(folder / "journal.db"))

    def by_line(self, name: str) -> datetime:
        """By the command line, which sends when it has loaded."""
        sent: list[datetime] = []
        submit = Inbox.submit

        def noted(*words: object, **more: object) -> bool:
            sent.append(datetime.now(UTC))
            return submit(*words, **more)  # type: ignore[arg-type]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Inbox, "submit", noted)
            found = run_here(["lot", "add", name, "--config", str(self.station.config)])
        assert (0, f"lot {name} added\n", "") == (found.code, found.out, found.err)
        return sent[0]

    def by_broker(self, name: str) -> datetime:
        """By a message."""
        command = {"id": name, "verb": "lot.add", "facts": {"name": name}, "who": "kim"}
        with present(self.broker) as kim:
            sent = datetime.now(UTC)
            kim.say(f"brinewright/{STATION}/mix-1/command", command)
            self._wait(name)
        return sent

    def by_page(self, name: str) -> datetime:
        """By a form."""
        fields = forms(ask(self.port, "/act").text)["lot-add"]
        sent = datetime.now(UTC)
        post(self.port, fields | {"who": "kim", "name": name, "bought_g": "25 kg"})
        self._wait(name)
        return sent

    def carried_out(self) -> dict[str, datetime]:
        """When each lot was added."""
        found = [(facts_in(each), each.at.wall) for each in self.station.events(Kind.COMMAND)]
        return {str(facts["name"]): at for facts, at in found if facts["ok"]}

    def _wait(self, name: str) -> None:
        wait_until(lambda: name in self.carried_out(), f"the command {name}")


@pytest.fixture
def ways(tmp_path: Path, broker: Broker) -> Iterator[Ways]:
    """Both processes, a broker and the page."""
    made = Ways(tmp_path, broker)
    words = ("daemon.run", "--config", str(made.station.config))
    with running("run", *words, folder=tmp_path) as process:
        wait_until(lambda: answers(made.port), "the page")
        wait_until(lambda: "lot-add" in forms(ask(made.port, "/act").text), "the form")
        with present(broker, HERE) as kim:
            wait_until(lambda: kim.on(HERE) == [b"online"], "the station")
        yield made
        assert process.stop() == 0
    assert_plain_speech(process)


def test_each_way_in_rings(ways: Ways) -> None:
    """The quickest of three tries is carried out long before measuring would have looked."""
    senders = {"line": ways.by_line, "broker": ways.by_broker, "page": ways.by_page}
    took_s = {}
    for way, send in senders.items():
        sent = {f"{way}-{n}": send(f"{way}-{n}") for n in range(TRIES)}
        done = ways.carried_out()
        took_s[way] = min((done[name] - at).total_seconds() for name, at in sent.items())

    assert [] == [way for way, took in took_s.items() if took >= BEFORE_S], took_s


def test_with_a_broken_bell_a_command_comes_through(ways: Ways) -> None:
    """By each way, whatever is in the bell's place when it is sent."""
    bell = bell_path(ways.inbox.path)
    bell.unlink()
    ways.by_line("removed")
    bell.unlink(missing_ok=True)
    bell.touch()
    ways.by_broker("a file")
    bell.unlink()
    os.mknod(bell, stat.S_IFSOCK | 0o660)
    ways.by_page("a socket of nobody")

    assert ["removed", "a file", "a socket of nobody"] == list(ways.carried_out())
