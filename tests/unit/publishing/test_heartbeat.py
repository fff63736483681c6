"""A sign of life for an outside watcher: sent while measuring lives, and only then."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.logs import Outage
from daemon.publishing import heartbeat
from daemon.publishing.heartbeat import FRESH_S, HeartbeatLoop, ping, read_url
from daemon.publishing.sink import SinkError
from tests.conftest import LOOPBACK, wait_until
from tests.parts.numbered import reading
from tests.services.notify_parts import Clocks, Hook, hooked

SECRET = "Tr0ub4dor"


@pytest.fixture
def hook() -> Iterator[Hook]:
    """A watcher that is up."""
    with hooked() as one:
        yield one


class Ward:
    """A heart, the journal that it listens to, and a clock moved by hand."""

    def __init__(self, folder: Path, hook: Hook) -> None:
        self.url = f"http://{LOOPBACK}:{hook.port}/ping/{SECRET}"
        self.clocks = Clocks()
        self.path = folder / "journal.db"
        self.heart = HeartbeatLoop(
            partial(ping, self.url),
            60.0,
            Reader(self.path),
            Outage(logging.getLogger("brinewright.publish"), "the heartbeat"),
            self.clocks.clock,
        )
        self._number = 0

    def live(self, seconds: int, measuring: bool = True) -> None:  # noqa: FBT001, FBT002
        """Let seconds go by, ten at a time, with a reading in each while measuring lives."""
        for _ in range(seconds // 10):
            self.clocks.mono_s += 10.0
            if measuring:
                self._number += 1
                with Writer(self.path) as writer:
                    writer.append([reading(self._number)], 0.0)
            self.heart.step()


def test_it_beats_while_readings_come(tmp_path: Path, hook: Hook) -> None:
    """Once a minute, from the second reading on, by a plain request."""
    ward = Ward(tmp_path, hook)
    ward.live(600)

    assert 10 == len(hook.paths)
    assert {f"/ping/{SECRET}"} == set(hook.paths)


def test_it_stops_when_measuring_is_dead_and_goes_on_when_it_is_back(
    tmp_path: Path, hook: Hook
) -> None:
    """The last beat comes within three minutes of the last reading."""
    ward = Ward(tmp_path, hook)
    ward.live(120)
    before = len(hook.paths)
    ward.live(3600, measuring=False)
    while_dead = len(hook.paths) - before
    ward.live(120)

    assert FRESH_S // 60 >= while_dead
    assert before + while_dead + 2 == len(hook.paths)


def test_a_journal_that_does_not_grow_gives_no_beat_at_all(tmp_path: Path, hook: Hook) -> None:
    """A publisher started beside dead measuring does not take an old journal for life."""
    ward = Ward(tmp_path, hook)
    ward.heart.step()  # there is no journal yet
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1)], 0.0)
    ward.live(600, measuring=False)

    assert [] == hook.paths


def test_a_watcher_that_fails_is_reported_once_without_its_address(
    tmp_path: Path, hook: Hook, caplog: pytest.LogCaptureFixture
) -> None:
    """Down, refusing, and up again: two outages are two lines and their ends."""
    ward = Ward(tmp_path, hook)
    with caplog.at_level(logging.INFO):
        hook.down()
        ward.live(60)
        hook.up()
        ward.live(60)
        hook.status = 404
        ward.live(60)
        hook.status = 200
        ward.live(60)

    assert [
        "the heartbeat fails (1 so far): it cannot be reached: Connection refused",
        "the heartbeat works again after 1 failures",
        "the heartbeat fails (1 so far): it answers 404; check the address in heartbeat.url_file",
        "the heartbeat works again after 1 failures",
    ] == caplog.messages
    assert SECRET not in caplog.text


def test_a_watcher_that_does_not_answer_is_given_up(
    hook: Hook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the time that it is given; the text does not hold the address."""
    monkeypatch.setattr(heartbeat, "ANSWER_WITHIN_S", 0.1)
    hook.silence.set()
    with pytest.raises(SinkError) as caught:
        ping(f"http://{LOOPBACK}:{hook.port}/{SECRET}")

    assert SECRET not in str(caught.value)


def test_it_ends_when_told(tmp_path: Path, hook: Hook) -> None:
    """Its thread looks once a second, and stops at once."""
    ward, stop = Ward(tmp_path, hook), threading.Event()
    ward.live(20)
    thread = threading.Thread(target=ward.heart.run, args=(stop,))
    thread.start()
    wait_until(thread.is_alive, "the thread")
    stop.set()
    thread.join(5.0)

    assert not thread.is_alive()


@pytest.mark.parametrize(
    "text",
    [
        "",
        f"ftp://{SECRET}",
        f"https:// {SECRET}",
        f"https://a/{SECRET} b",
        f"https://a/{SECRET}\nhttps://b",
        f"https://ü/{SECRET}",
    ],
)
def test_a_file_without_one_web_address_is_a_fault(tmp_path: Path, text: str) -> None:
    """One sentence that names key and file and not what is in it."""
    path = tmp_path / "heartbeat-url"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(SinkError) as caught:
        read_url(path)

    assert "heartbeat.url_file: " in str(caught.value)
    assert SECRET not in str(caught.value)
