"""How often measuring is awake: for what is due and for who rings, and never only to look."""

from __future__ import annotations

import logging
import math
import select
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.entries import JSON, Entry, Instant, Kind, Sample
from daemon.journal import inbox as inboxes
from daemon.journal.bell import bell_path
from daemon.journal.errors import JournalError
from daemon.journal.host_watch import HostWatch
from daemon.journal.inbox import Inbox, QueuedCommand, beside
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.journal.retention import Retention, RetentionLimits
from daemon.journal.upkeep import Upkeep
from daemon.journal.writer import Writer
from daemon.measure.intake import AT_A_TIME, LOOK_ANYWAY_S, WITHOUT_BELL_S
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments
from tests.faults.scripted import ScriptedClock
from tests.parts.events import facts_in
from tests.parts.weights import weights

ANSWER_S = 0.05
NEVER_FORCED_S = 1e9


class Polled:
    """A probe that is asked each period and answers soon after; it speaks by the clock alone."""

    def __init__(self, name: str, period_s: float) -> None:
        """Ask for the first time at once."""
        self._name, self._period_s = name, period_s
        self._ask_s, self._answer_s = 0.0, math.inf

    def fileno(self) -> int | None:
        """Nothing to watch: what would be an answer on a line is one more moment here."""
        return None

    def wake_s(self) -> float:
        """When it is asked, or answers."""
        return min(self._ask_s, self._answer_s)

    def readable(self, now: Instant) -> list[Sample]:
        """Nothing comes without being asked."""
        return []

    def wake(self, now: Instant) -> list[Sample]:
        """Ask, or take the answer."""
        if now.mono_s >= self._answer_s:
            self._answer_s = math.inf
            return [Sample(self._name, "ct-1", now, 50.0, 24.0)]
        if now.mono_s >= self._ask_s:
            self._ask_s = max(self._ask_s, now.mono_s) + self._period_s
            self._answer_s = now.mono_s + ANSWER_S
        return []

    def close(self) -> None:
        """Nothing is open."""


class Failing(Writer):
    """A writer that can be made to fail."""

    why = ""

    def append(
        self,
        entries: Sequence[Entry],
        now_s: float,
        snapshots: Mapping[str, JSON] | None = None,
        checkpoint: str | None = None,
    ) -> None:
        """Write, unless it is to fail."""
        if self.why:
            raise JournalError(self.why)
        super().append(entries, now_s, snapshots, checkpoint)


class Awake:
    """A loop whose waits pass on a clock of its own, counted."""

    def __init__(self, folder: Path, probes: int, period_s: float) -> None:
        """Start it on an empty journal."""
        self.path, self.clock = folder / "journal.db", ScriptedClock()
        self.inbox = Inbox(beside(self.path))
        names = [f"mix-{number}" for number in range(probes)]
        station = Station({name: ReservoirSettings(name) for name in names}, weights())
        self._writer = Failing(self.path, NEVER_FORCED_S)
        upkeep = Upkeep(
            HostWatch(self.path),
            Retention(RetentionLimits()),
            lambda now, why: pytest.fail(f"{now} {why}"),
        )
        instruments = Instruments([Polled(name, period_s) for name in names])
        log = logging.getLogger("tests.waits")
        own = OwnInbox(self.path)
        self.loop = make_loop(station, instruments, self._writer, self.clock, log, own, upkeep)
        self.loop.take_commands(self.clock.now())
        self.turns = 0

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        until_s = self.clock.true_s + seconds
        while self.clock.true_s < until_s:
            self.loop.turn()
            self.turns += 1

    def fail(self, why: str) -> None:
        """Let writing fail, or work again where nothing is said."""
        self._writer.why = why

    def commands(self) -> list[str]:
        """The ids of those in the journal."""
        stored = [each for _, each in Reader(self.path).events()]
        return [str(facts_in(each)["id"]) for each in stored if each.kind is Kind.COMMAND]

    def send(self, name: str) -> None:
        """Send a remark about the lots."""
        self.inbox.submit(name, "keeper", "cli", "lot.add", "", {"name": name})


class Waits:
    """Stands in for `select`: a wait ends at once, and its time passes on the loop's clock."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Take its place."""
        self.clock: ScriptedClock | None = None
        self._select = select.select
        monkeypatch.setattr("daemon.measure.loop.select.select", self)

    def __call__(
        self, watched: Sequence[int], _: object, __: object, timeout_s: float | None
    ) -> tuple[list[int], list[int], list[int]]:
        """Return what can be read now; else let the whole wait pass."""
        ready = self._select(watched, [], [], 0.0)[0]
        assert timeout_s is not None
        if not ready and self.clock is not None and timeout_s > 0.0:
            self.clock.true_s = round(self.clock.true_s + max(timeout_s, 0.001) + 0.0004, 3)
        return ready, [], []


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> Waits:
    """Its waits."""
    return Waits(monkeypatch)


@contextmanager
def started(folder: Path, waits: Waits, probes: int = 1, period_s: float = 1.0) -> Iterator[Awake]:
    """A loop that has measured for a minute, so that what a start brings is over."""
    awake = Awake(folder, probes, period_s)
    waits.clock = awake.clock
    awake.run(60.0)
    awake.turns = 0
    yield awake
    awake.loop.close()


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The inboxes that were opened, one for each time."""
    found: list[str] = []
    connect = sqlite3.connect

    def counted(name: str, *more: object, **keys: object) -> sqlite3.Connection:
        found.append(name)
        return connect(name, *more, **keys)  # type: ignore[call-overload, no-any-return]

    monkeypatch.setattr(sqlite3, "connect", counted)
    return found


@pytest.mark.parametrize("probes, period_s", [(1, 1.0), (1, 0.1), (32, 1.0)])
def test_a_reading_needs_a_question_and_an_answer_and_nothing_else(
    tmp_path: Path, waits: Waits, probes: int, period_s: float
) -> None:
    """Two turns a period, however many probes; what is rare is done in one of them."""
    with started(tmp_path, waits, probes, period_s) as awake:
        awake.run(60.0)

    turns = 2.0 * 60.0 / period_s
    assert 0.98 * turns <= awake.turns <= turns + 2


def test_nothing_is_due_more_often_than_a_quiet_station_needs(tmp_path: Path, waits: Waits) -> None:
    """A probe that is read once an hour leaves the inbox and the host, a few times a minute."""
    with started(tmp_path, waits, period_s=3600.0) as awake:
        awake.run(600.0)

    assert awake.turns <= 600.0 / LOOK_ANYWAY_S + 600.0 / 60.0 + 4


def test_an_inbox_that_nobody_writes_is_not_opened(
    tmp_path: Path, waits: Waits, opened: list[str]
) -> None:
    """Its state tells enough, once it has lasted."""
    with started(tmp_path, waits) as awake:
        opened.clear()
        awake.run(600.0)

    assert [] == opened


def test_after_a_start_an_inbox_is_looked_into_once_more(
    tmp_path: Path, waits: Waits, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was written at the moment of the first look may have left the same state of the file."""
    looks: list[int] = []
    after = OwnInbox.after

    def counted(inbox: OwnInbox, number: int, limit: int) -> list[QueuedCommand]:
        looks.append(number)
        return after(inbox, number, limit)

    monkeypatch.setattr(OwnInbox, "after", counted)
    with started(tmp_path, waits):
        assert [0, 0] == looks


def test_who_rings_is_served_at_the_next_turn(tmp_path: Path, waits: Waits) -> None:
    """No time passes in between."""
    with started(tmp_path, waits) as awake:
        for number in range(3):
            awake.send(f"lot-{number}")
            before_s = awake.clock.true_s
            awake.loop.turn()
            assert before_s == awake.clock.true_s
            assert number + 1 == len(awake.commands())
            awake.run(1.7)


@pytest.mark.parametrize("sent_after_s", [0.0, 1.3, 4.9])
def test_a_command_for_which_nobody_could_ring_is_taken_later(
    tmp_path: Path, waits: Waits, monkeypatch: pytest.MonkeyPatch, sent_after_s: float
) -> None:
    """Within the time in which measuring looks anyway, at whatever moment it came."""
    monkeypatch.setattr(inboxes, "ring", lambda _: None)
    with started(tmp_path, waits, period_s=3600.0) as awake:
        awake.run(sent_after_s)
        awake.send("lot-1")
        awake.run(LOOK_ANYWAY_S + 0.1)

        assert ["lot-1"] == awake.commands()


def test_without_a_bell_the_state_of_the_file_is_looked_at_often(
    tmp_path: Path, waits: Waits
) -> None:
    """As where the file system knows no pipes."""
    bell_path(beside(tmp_path / "journal.db")).joinpath("within").mkdir(parents=True)
    with started(tmp_path, waits, period_s=3600.0) as awake:
        awake.send("lot-1")
        awake.run(WITHOUT_BELL_S + 0.1)

        assert ["lot-1"] == awake.commands()


@pytest.mark.parametrize("loss", ["bell", "inbox", "folder"])
def test_what_is_lost_while_it_runs_is_made_again(tmp_path: Path, waits: Waits, loss: str) -> None:
    """And who rings then is served at once."""
    with started(tmp_path, waits, period_s=3600.0) as awake:
        awake.send("lot-1")
        awake.run(LOOK_ANYWAY_S)
        path = awake.inbox.path
        lost = {"bell": bell_path(path), "inbox": path, "folder": path.parent}[loss]
        lost.rename(tmp_path / "gone")
        awake.run(2 * LOOK_ANYWAY_S)
        awake.send("lot-2")
        awake.loop.turn()

        assert ["lot-1", "lot-2"] == awake.commands()


def test_more_commands_than_one_turn_takes_are_taken_without_a_wait(
    tmp_path: Path, waits: Waits
) -> None:
    """All were sent before measuring looked, so nobody rings for the rest."""
    with started(tmp_path, waits, period_s=3600.0) as awake:
        for number in range(AT_A_TIME + 1):
            awake.send(f"lot-{number}")
        before_s = awake.clock.true_s
        awake.loop.turn()
        awake.loop.turn()

        assert (before_s, AT_A_TIME + 1) == (awake.clock.true_s, len(awake.commands()))


def test_a_command_comes_through_while_the_journal_cannot_be_written(
    tmp_path: Path, waits: Waits
) -> None:
    """It is carried out at once, and is in the journal once that works again; once."""
    with started(tmp_path, waits) as awake:
        awake.fail(why="the disk is full")
        awake.send("lot-1")
        awake.run(3.0)
        during = awake.commands()
        awake.fail(why="")
        awake.run(3.0)

        assert ([], ["lot-1"]) == (during, awake.commands())
        assert awake.turns <= 20


def test_whoever_ends_it_need_not_wait_for_what_is_due(tmp_path: Path, waits: Waits) -> None:
    """A signal ends the wait; no time passes."""
    with started(tmp_path, waits, period_s=3600.0) as awake:
        before_s = awake.clock.true_s
        awake.loop.stop()
        awake.loop.turn()

        assert before_s == awake.clock.true_s
