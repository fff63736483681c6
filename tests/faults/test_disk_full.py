"""A full disk: measuring and alarms go on, the journal stays whole, and what is lost is said."""

from __future__ import annotations

import logging
import os
import socket
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.entries import Event, Instant, Kind, Phase, Reading, Sample
from daemon.journal.reader import Reader
from daemon.journal.write_buffer import WriteBuffer
from daemon.journal.writer import Writer
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments
from tests.conftest import wait_until
from tests.faults.scripted import ScriptedProbe
from tests.parts.events import facts_in
from tests.parts.numbered import START
from tests.parts.weights import weights
from tests.services import service_parts as parts

SIZE = 3_000_000


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small disk of its own, which only root may mount."""
    if os.geteuid() != 0:
        pytest.skip("a small disk can be mounted by root only")
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "tmpfs", folder], check=True)
    yield folder
    subprocess.run(["umount", "--lazy", folder], check=True)


@dataclass
class OnSmallDisk(parts.Station):
    """A station whose journal alone lies on the small disk."""

    def __post_init__(self) -> None:
        """Write the configuration with another place for the journal."""
        super().__post_init__()
        text = self.config.read_text()
        self.config.write_text(text.replace('"journal.db"', '"disk/journal.db"'))

    @property
    def journal(self) -> Reader:
        """The journal, to be read."""
        return Reader(self.folder / "disk" / "journal.db")


def fill(disk: Path) -> Path:
    """Fill a disk to its last byte, as another program does."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (65_536, 4096, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
    return filler


def test_measuring_goes_on_while_the_disk_is_full(
    tmp_path: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Phases go on in memory, the keeper is told, and afterwards no entry is missing."""
    notices = tmp_path / "notices"
    monkeypatch.setenv("NOTIFY_SOCKET", str(notices))
    with listening(notices) as told:
        station = OnSmallDisk(tmp_path)
        with parts.playing(station, "plain-batch"), parts.measuring(station) as process:
            station.wait_for(Phase.DISSOLVING)
            filler = fill(disk)
            wait_until(
                lambda: any("nothing is recorded" in each for each in status(told)),
                "the keeper to be told",
                parts.BATCH_S,
            )
            before = len(station.readings())
            wait_until(
                lambda: bool(parts.lines_with("to=ready", process)),
                "the batch to be released in memory",
                parts.BATCH_S,
            )
            assert len(station.readings()) == before
            filler.unlink()
            station.wait_for(Phase.READY)
            assert process.stop() == 0

    first, last = status(told)[-2:]
    assert first.startswith("STATUS=measuring, but nothing is recorded")
    assert "free some space" in first
    assert "STATUS=measuring: 1 of 1 probes give readings" == last
    assert parts.lines_with("writing the journal works again", process)
    kept = station.stored()
    assert list(range(1, len(kept) + 1)) == [item.seq for item in kept]
    assert len(station.readings()) > before
    times = [reading.at.mono_s for reading in station.readings()]
    # Of the rehearsal: two seconds for a busy machine, where the disk was full for far longer.
    assert max(b - a for a, b in pairwise(times)) < 120.0
    low = [
        facts_in(e)["what"]
        for e in station.events(Kind.ALARM)
        if facts_in(e)["name"] == "storage-low"
    ]
    assert low[:1] == ["raised"]
    with closing(sqlite3.connect(disk / "journal.db")) as db:
        assert ("ok",) == db.execute("PRAGMA integrity_check").fetchone()
    parts.assert_plain_speech(process)


@contextmanager
def listening(address: Path) -> Iterator[list[str]]:
    """Be the service manager that is told how measuring is, until the block ends."""
    told: list[str] = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind(str(address))

        def receive() -> None:
            while (text := channel.recv(4096).decode()) != "end":
                told.append(text)

        thread = threading.Thread(target=receive)
        thread.start()
        try:
            yield told
        finally:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
                end.sendto(b"end", str(address))
            thread.join(10.0)


def status(told: list[str]) -> list[str]:
    """What was said of how measuring is."""
    return [each for each in told if each.startswith("STATUS=")]


@dataclass
class Hand:
    """A clock that is moved by hand."""

    second: float = 0.0

    def now(self) -> Instant:
        """The moment."""
        return Instant(START + timedelta(seconds=self.second), self.second, "boot-1")

    def mono_s(self) -> float:
        """The monotonic time of it."""
        return self.now().mono_s

    def real_s(self, duration_s: float) -> float:
        """A second is a second."""
        return duration_s


def limit(db: sqlite3.Connection, pages: int) -> None:
    """Let the file have no more pages than so many, or than it has."""
    db.execute(f"PRAGMA max_page_count = {pages}")


def test_what_a_long_outage_loses_is_counted_and_said(tmp_path: Path) -> None:
    """Readings of the whole time remain, all events remain, and one event tells of the rest."""
    clock, probe = Hand(), ScriptedProbe()
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    path = tmp_path / "journal.db"
    log = logging.getLogger("tests.disk_full")
    with Writer(path, 1e9) as writer:
        loop = make_loop(station, Instruments([probe]), writer, clock, log, buffer=WriteBuffer(250))
        for number in range(1500):
            clock.second = float(number)
            if number in (10, 1450):
                # No page more than there is; later as many as are wanted.
                pages = 1 if number == 10 else 10**6
                writer.within(partial(limit, pages=pages))
            # Salt goes into solution in four minutes.
            conductivity = min(0.02 + 0.2 * max(number - 500, 0), 50.0) + number % 7 / 1000.0
            probe.due = [
                Sample("mix-1", "ct-1", clock.now(), conductivity, 24.0, None, "", f"{number}")
            ]
            loop.turn()
        loop.finish(clock.now())

    stored = [each.entry for each in Reader(path).after(0, 10**6)]
    kept = [e.at.mono_s for e in stored if isinstance(e, Reading)]
    (told,) = [
        e for e in stored if isinstance(e, Event) and facts_in(e).get("state") == "entries lost"
    ]
    assert 1500 == len(kept) + int(str(facts_in(told)["readings"]))
    assert 0 == facts_in(told)["events"]
    assert kept == sorted(kept)
    assert max(b - a for a, b in pairwise(kept)) <= 32.0
    # Purified water, then salt: what happened in the middle of it is on record.
    assert {"blank", "dissolving"} <= {
        str(facts_in(e)["to"]) for e in stored if isinstance(e, Event) and e.kind is Kind.PHASE
    }
    with closing(sqlite3.connect(path)) as db:
        assert ("ok",) == db.execute("PRAGMA integrity_check").fetchone()
