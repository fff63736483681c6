"""The process that tells people is killed at awkward instants; its receivers are real."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.entries import Event, Follower, Instant, Kind
from daemon.journal.cursors import cursors_path
from daemon.journal.event_codec import body_of
from daemon.journal.followers import followers
from daemon.journal.writer import Writer
from tests.conftest import wait_until
from tests.parts.configurations import configuration
from tests.parts.numbered import reading
from tests.services.notify_parts import Hook, hooked, write_urls
from tests.services.service_parts import LOG_LINE, Process

CONFIGURATION = configuration("""
[journal]
path = "journal.db"
[page]
enabled = false
[notify]
urls_file = "receivers"
""")


def soon(condition: Callable[[], bool], what: str) -> None:
    """Wait, long enough for a process to begin on a machine that has much to do."""
    wait_until(condition, what)


def alarm_now(name: str, state: str = "raised") -> Event:
    """An alarm of this moment, of high priority."""
    at = Instant(datetime.now(UTC), time.monotonic(), "boot-1")
    facts = {"name": name, "state": state, "why": f"it is {name}", "priority": "high"}
    return Event("mix-1", at, "lot-7", body_of(Kind.ALARM, dict(facts)))


@pytest.fixture
def hook() -> Iterator[Hook]:
    """An HTTP server that is up."""
    with hooked() as one:
        yield one


@pytest.fixture
def process(tmp_path: Path, hook: Hook) -> Iterator[Process]:
    """The publishing process of a configuration that names the server; not started."""
    (tmp_path / "brinewright.toml").write_text(CONFIGURATION)
    write_urls(tmp_path, hook.url)
    words = ("daemon.publish", "--config", str(tmp_path / "brinewright.toml"))
    one = Process(words, tmp_path / "publish.log")
    yield one
    one.kill()


def test_killed_while_the_receiver_is_down_it_tells_once_when_both_are_back(
    tmp_path: Path, hook: Hook, process: Process
) -> None:
    """The cursor has passed the alarm by, so it is the ledger that remembers."""
    hook.down()
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1), alarm_now("probe-fault"), reading(3)], 0.0)
        process.start()
        soon(lambda: any("receivers fails" in line for line in process.output_lines), "the failure")
        soon(lambda: bool(_fare(tmp_path).error), "the failure on record")
        fare = _fare(tmp_path)
        process.kill()
        hook.up()
        process.start()
        soon(lambda: len(hook.posts) == 1, "the message")
        writer.append([alarm_now("salt-unaccounted")], 1.0)
        soon(lambda: len(hook.posts) == 2, "the next one")

    assert ["mix-1: probe-fault (high)", "mix-1: salt-unaccounted (high)"] == hook.titles
    assert (0, "notify") == (fare.waiting, fare.name)
    assert "json on line 1 of receivers is not reached" in fare.error
    assert [] == [line for line in process.output_lines if not LOG_LINE.fullmatch(line)]
    assert "topsecret" not in "\n".join(process.output_lines)


def _fare(folder: Path) -> Follower:
    """How the publisher fares, as 'brinewright status' tells it."""
    journal = folder / "journal.db"
    (fare,) = followers(journal, cursors_path(journal), ["notify"], alarm_now("").at)
    return fare


def test_killed_between_sending_and_striking_off_it_tells_that_one_again(
    tmp_path: Path, hook: Hook, process: Process
) -> None:
    """At least once: the one message that was on its way comes twice, and none is missing."""
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([alarm_now("probe-fault")], 0.0)
        hook.silence.set()  # takes what comes, and does not say so
        process.start()
        soon(lambda: hook.pending == 1, "the message on its way")
        (sender,) = children_of(process.pid)
        process.kill()
        soon(lambda: has_ended(sender), "the end of what sent it")
        hook.down()
        hook.silence.clear()
        hook.up()
        process.start()
        soon(lambda: len(hook.posts) == 2, "it again")
        writer.append([alarm_now("salt-unaccounted")], 1.0)
        soon(lambda: len(hook.posts) == 3, "the next one")
        process.stop()

    assert ["probe-fault", "probe-fault", "salt-unaccounted"] == [
        title.split()[1] for title in hook.titles
    ]


def test_what_sends_is_killed_alone_and_the_message_goes_again(
    tmp_path: Path, hook: Hook, process: Process
) -> None:
    """A plugin that crashes ends its own process; publishing goes on and says what happened."""
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([alarm_now("probe-fault")], 0.0)
        hook.silence.set()
        process.start()
        publishing = process.pid
        soon(lambda: hook.pending == 1, "the message on its way")
        (sender,) = children_of(publishing)
        hook.silence.clear()
        os.kill(sender, signal.SIGKILL)
        soon(lambda: len(hook.posts) == 2, "it again")

    assert publishing == process.pid
    assert any("ended without an answer" in line for line in process.output_lines)


def children_of(pid: int) -> list[int]:
    """Processes that a process has started, by whichever thread."""
    lists = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(word) for each in lists for word in each.read_text(encoding="utf-8").split()]


def has_ended(pid: int) -> bool:
    """Whether a process is gone, or waits only for its parent to take note of its end."""
    try:
        return "\nState:\tZ" in Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except FileNotFoundError:
        return True


@pytest.mark.parametrize("seed", range(2))
def test_killed_at_any_instant_it_leaves_no_alarm_untold(
    tmp_path: Path, hook: Hook, process: Process, seed: int
) -> None:
    """An alarm and a kill in each of six lives: all are told, and a life repeats one at most."""
    names = [f"alarm-{number}" for number in range(6)]
    pause, rng = threading.Event(), random.Random(seed)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1)], 0.0)
        for number, name in enumerate(names):
            process.start()
            writer.append([alarm_now(name)], float(number))
            # From before it has read anything to after it has sent and struck off.
            pause.wait(rng.uniform(0.3, 1.3))
            process.kill()
        process.start()
        soon(lambda: {name for name in names if name in _all(hook)} == set(names), "all")
        process.stop()

    assert len(hook.posts) <= 2 * len(names)


def _all(hook: Hook) -> str:
    return "\n".join([*hook.titles, *hook.bodies])
