"""A slice of the budgets: counted work alone, for asserted times fail on a busy machine."""

from __future__ import annotations

import logging
import os
import pty
import sqlite3
import sys
import tty
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import NoReturn

import pytest

from daemon.clock import SystemClock
from daemon.entries import Instant, Sample
from daemon.journal.host_watch import HostWatch
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.retention import Retention, RetentionLimits
from daemon.journal.upkeep import Upkeep
from daemon.journal.writer import Writer
from daemon.measure.main import make_loop
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.probes.joined import Instruments
from daemon.probes.line import LineProbe, LineSettings
from daemon.wire.reply import ReplyFormat, reply_pattern
from tests.benchmarks.budgets import emulation, journals
from tests.benchmarks.budgets.__main__ import main
from tests.benchmarks.budgets.emulation import Machine
from tests.benchmarks.budgets.table import Row, as_text
from tests.benchmarks.figures import rows_of
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
READINGS = 200
REPLY = ReplyFormat(reply_pattern(r"(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)"))
X86_CPU = "processor\t: 0\nvendor_id\t: GenuineAny\nflags\t\t: fpu vme\n"
ARM_CPU = "processor\t: 0\nBogoMIPS\t: 108.00\nCPU implementer\t: 0x41\n"
ARM_ALIAS = "cpu:type:aarch64:feature:,0000"
X86_ALIAS = "cpu:type:x86,ven0000fam0006mod008F:feature:,0000"
A_PI = Machine("aarch64", ARM_CPU, ARM_ALIAS, "/usr/bin/python3.11")
A_SERVER = Machine("x86_64", X86_CPU, X86_ALIAS, "/usr/bin/python3.11")


def test_a_reading_is_committed_by_one_statement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its insert alone, which begins and ends its transaction; all else is seldom."""
    statements: Counter[str] = Counter()

    class Counted(sqlite3.Connection):
        def __init__(self, *words: object, **named: object) -> None:
            super().__init__(*words, **named)  # type: ignore[arg-type]
            self.set_trace_callback(lambda text: statements.update([text.split()[0]]))

    connect = sqlite3.connect
    monkeypatch.setattr(
        sqlite3, "connect", lambda *words, **named: connect(*words, **named, factory=Counted)
    )
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    with Writer(tmp_path / "journal.db", 1e9) as writer:
        writer.append(station.advance(_sample(0)), 0.0)
        statements.clear()
        for second in range(1, READINGS + 1):
            writer.append(station.advance(_sample(second)), float(second))

    assert READINGS <= statements["INSERT"], statements
    assert statements.total() <= 1.1 * READINGS, statements


def test_a_reading_takes_few_calls_besides_those_of_the_mixing_itself(tmp_path: Path) -> None:
    """From the bytes of a line to its row: a processor that was away does each function slowly."""
    calls: Counter[str] = Counter()

    def counted(frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            calls["mixing" if "/daemon/mixing/" in frame.f_code.co_filename else "others"] += 1

    journal, log = tmp_path / "journal.db", logging.getLogger("tests.budgets")
    with Writer(journal, 1e9) as writer, talking() as (line, port):
        settings = LineSettings("mix-1", "ct-1", port, REPLY, period_s=3600.0, timeout_s=3600.0)
        station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
        upkeep = Upkeep(HostWatch(journal), Retention(RetentionLimits()), _no_other)
        instruments, inbox = Instruments([LineProbe(settings)]), OwnInbox(journal)
        loop = make_loop(station, instruments, writer, SystemClock(), log, inbox, upkeep)
        loop.turn()  # opens the port
        for second in range(-10, READINGS):
            os.write(line, f"{50_000 + second % 7},{24.0 + second % 5 / 1e3:.4f}\n".encode())
            sys.setprofile(counted if second >= 0 else None)
            loop.turn()
            sys.setprofile(None)
        loop.close()
        assert writer.last_seq >= READINGS

    assert 160 * READINGS >= calls["others"], calls


@contextmanager
def talking() -> Iterator[tuple[int, str]]:
    """The instrument's end of a line, and the port of the other."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def _no_other(now: Instant, why: str) -> NoReturn:
    pytest.fail(f"the journal was opened again at {now}: {why}")


def _sample(second: int) -> Sample:
    at = Instant(START + timedelta(seconds=second), float(second), "boot-1")
    return Sample("mix-1", "ct-1", at, 51.0 + second % 7 / 1e4, 24.0 + second % 5 / 1e3)


def test_a_reading_takes_the_bytes_of_its_budget(tmp_path: Path) -> None:
    """A batch at 1 Hz, as the station itself writes it."""
    row = journals.bytes_row(journals.record(tmp_path, 2.0), tmp_path, 7_200)

    assert (f"{journals.BYTES_AIM:g} bytes", True) == (row.aim, row.kept), row


@pytest.mark.parametrize("machine", [A_PI, A_SERVER, Machine("riscv64"), Machine("aarch64")])
def test_speed_is_measured_where_program_and_kernel_agree(machine: Machine) -> None:
    """A board, a server and a machine of which the kernel says nothing."""
    assert emulation.refusal(machine) == ""


@pytest.mark.parametrize(
    "machine",
    [
        Machine("aarch64", X86_CPU, "", ""),
        Machine("aarch64", ARM_CPU, X86_ALIAS, ""),
        Machine("x86_64", X86_CPU, ARM_ALIAS, ""),
        Machine("x86_64", ARM_CPU, "", ""),
        Machine("aarch64", ARM_CPU, ARM_ALIAS, "7f00-7f01 r-xp /usr/bin/qemu-aarch64-static"),
    ],
)
def test_emulation_is_refused_in_words(
    machine: Machine, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is measured, and the sentence says why and what to do."""
    monkeypatch.setattr(emulation, "this_machine", lambda: machine)

    assert main(["--only", "readings", "--dry"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("no measure of speed: ")
    assert said.err.endswith("run it on the machine itself\n")


def test_a_row_says_whether_it_is_within_its_aim_and_is_read_as_a_figure() -> None:
    """Cost, floor and aim stand in one line, from which the table of figures is made."""
    rows = [
        Row.of("a reading", 120.0, 40.0, "µs", 4.0),
        Row.of("an entry", 90.0, 30.0, "µs", None),
        Row.at_most("a start", 0.9, 0.8, "s", "a bare one 0.1 s"),
    ]

    text = as_text(rows)

    assert [True, None, False] == [row.kept for row in rows]
    assert "NOT KEPT" in text
    found = rows_of(text, "budgets", START.date())
    assert ["3.0 times the floor: 120 µs and 40", "3.0 times the floor: 90 µs and 30"] == [
        each.measured for each in found[:2]
    ]
    assert ("4 times", "0.8 s") == (found[0].aim, found[2].aim)
