"""Simulated instruments on a real pseudo-terminal, read as the service reads them."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import serial

from simulators.lines import SETTLE_S, LineError, SimulatedLine
from simulators.records import Row
from simulators.scenarios import SCENARIOS, plain_batch
from simulators.speakers import RecordedInstrument, StageSpeaker
from simulators.stage import Stage

PATIENCE_S = 60.0


def wait_for(condition: Callable[[], bool], what: str) -> None:
    """Poll until `condition` holds, or fail."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline_s, f"waited in vain for {what}"
        time.sleep(0.01)


@contextlib.contextmanager
def serving(line: SimulatedLine) -> Iterator[SimulatedLine]:
    """Serve a line from a thread until the block ends."""
    line.plug()
    thread = threading.Thread(target=line.serve)
    thread.start()
    try:
        yield line
    finally:
        line.stop()
        thread.join(PATIENCE_S)


@contextlib.contextmanager
def opened(port: Path) -> Iterator[serial.Serial]:
    """Open the port as the service does."""
    with serial.Serial(str(port), 9600, timeout=PATIENCE_S, exclusive=True) as one:
        yield one


def stage_of(name: str) -> Stage:
    """Return a scenario at its first moment."""
    return Stage.setting(SCENARIOS[name](), seed=1)


def test_a_polled_instrument_answers_each_request_once(tmp_path: Path) -> None:
    """`READ?` and any line end gets one line of two numbers; all else gets silence, no echo."""
    line = SimulatedLine(tmp_path / "ct-1", StageSpeaker(stage_of("plain-batch")))
    with serving(line), opened(line.link) as port:
        replies = []
        for request in (
            b"READ?\n",
            b"nonsense\nREAD?\n",
            b"READ?\r\n",
            b"READ?\r",
            b"READ?",
            b"\n",
        ):
            port.write(request)
            if request != b"READ?":
                replies.append(port.read_until(b"\r"))
        port.write(b"R\rREAD\nREAD? ?\n")
        port.timeout = 0.1
        rest = port.read(10)

    assert len(replies) == 5
    for reply in replies:
        conductivity, temperature = (float(text) for text in reply.split(b","))
        assert 0.0 < conductivity < 20.0
        assert temperature == pytest.approx(24.0, abs=0.1)
    assert rest == b""


def test_the_line_is_raw_before_a_reader_sets_it(tmp_path: Path) -> None:
    """A reader that leaves the terminal's settings alone gets bytes, without echo or change."""
    line = SimulatedLine(tmp_path / "ct-1", StageSpeaker(stage_of("plain-batch")))
    with serving(line):
        port = os.open(line.link, os.O_RDWR | os.O_NOCTTY)
        try:
            os.write(port, b"READ?\n")
            reply = b""
            while not reply.endswith(b"\r"):
                reply += os.read(port, 64)
        finally:
            os.close(port)

    assert reply.count(b",") == 1
    assert b"R" not in reply


def test_a_free_running_instrument_sends_without_a_request_at_its_pace(tmp_path: Path) -> None:
    """At 200 times the speed a line each 2 s comes 100 times a second, in step with the story."""
    speaker = StageSpeaker(stage_of("plain-batch"), free_running=True)
    line = SimulatedLine(tmp_path / "ct-1", speaker, speed=200.0, waits_for_reader=True)
    with serving(line), opened(line.link) as port:
        began_s = time.monotonic()
        lines = [port.read_until(b"\r") for _ in range(60)]
        took_s = time.monotonic() - began_s

    assert all(each.count(b",") == 1 for each in lines)
    # 59 periods of 2 s at 200 times the speed, after half a second to settle.
    assert 0.5 < took_s < PATIENCE_S


def test_what_is_said_while_nobody_listens_is_lost(tmp_path: Path) -> None:
    """A reader that comes late hears the present, not a backlog."""
    speaker = StageSpeaker(stage_of("plain-batch"), free_running=True)
    line = SimulatedLine(tmp_path / "ct-1", speaker, speed=2000.0)
    with serving(line):
        wait_for(lambda: speaker.stage.t_s > 600.0, "ten simulated minutes")
        # Not by pyserial, which would throw a backlog away by itself.
        port = os.open(line.link, os.O_RDWR | os.O_NOCTTY)
        try:
            heard = b""
            while b"\r" not in heard:
                heard += os.read(port, 64)
        finally:
            os.close(port)
        first = float(heard.split(b",")[0])

    assert first > 40000.0


def test_unplugging_fails_the_reader_and_replugging_brings_the_port_back(tmp_path: Path) -> None:
    """A pulled cable takes the port away under the reader; put back, it works again."""
    stage = stage_of("plain-batch")
    line = SimulatedLine(tmp_path / "ct-1", StageSpeaker(stage), speed=10.0)
    with serving(line):
        with opened(line.link) as port:
            port.write(b"READ?\n")
            assert port.read_until(b"\r")
            stage.plugged = False
            wait_for(lambda: not line.link.is_symlink(), "the port to go")
            with pytest.raises((OSError, serial.SerialException)):
                port.read(1)
        stage.plugged = True
        wait_for(line.link.exists, "the port to come back")
        with opened(line.link) as port:
            port.write(b"READ?\n")
            assert port.read_until(b"\r").count(b",") == 1


@dataclass
class Rows:
    """A recording in which every row can be told from every other."""

    n: int = 3000

    def __call__(self) -> list[Row]:
        """Return the rows, a second apart, the row's number as its conductivity."""
        start = datetime(2026, 3, 2, 8, tzinfo=UTC)
        return [Row(start + timedelta(seconds=k), 1.0 + k / 1000.0, 24.0) for k in range(self.n)]


def test_a_recording_loses_no_row_to_a_late_or_slow_reader(tmp_path: Path) -> None:
    """3000 rows at 5000 times the speed come whole, in order, once, though the reader dawdles.

    They are 40 KB, ten times what the kernel keeps of a pseudo-terminal.
    """
    rows = Rows()()
    line = SimulatedLine(
        tmp_path / "ct-1", RecordedInstrument(rows), speed=5000.0, waits_for_reader=True
    )
    with serving(line):
        time.sleep(0.2)  # the reader is late on purpose
        with opened(line.link) as port:
            got = port.read_until(b"\r")
            time.sleep(0.5)  # and slow on purpose: the kernel's buffer fills
            expected = [b"%d.0,24.00" % (1000 + k) for k in range(len(rows))]
            while got.count(b"\r") < len(rows):
                got += port.read(max(1, port.in_waiting))

    assert got.split(b"\r")[:-1] == expected


def test_stopping_twice_is_harmless(tmp_path: Path) -> None:
    """A stop that comes after the end touches no descriptor that may be another's by then."""
    line = SimulatedLine(tmp_path / "ct-1", StageSpeaker(stage_of("plain-batch")))
    with serving(line):
        pass
    ours, theirs = os.pipe()
    os.set_blocking(ours, False)
    try:
        line.stop()
        with pytest.raises(BlockingIOError):
            os.read(ours, 1)
    finally:
        os.close(ours)
        os.close(theirs)


def test_time_stands_still_until_the_reader_has_settled(tmp_path: Path) -> None:
    """Opening a port flushes it: the first row is held until it has been open for a while."""
    now_s = [100.0]
    line = SimulatedLine(
        tmp_path / "ct-1",
        RecordedInstrument(Rows(2)()),
        waits_for_reader=True,
        clock=lambda: now_s[0],
    )
    with serving(line), opened(line.link) as port:
        port.timeout = 0.2
        before = port.read_until(b"\r")
        after, deadline_s = b"", time.monotonic() + PATIENCE_S
        while not after and time.monotonic() < deadline_s:
            now_s[0] += SETTLE_S
            after = port.read_until(b"\r")

    assert before == b""
    assert after == b"1000.0,24.00\r"


def test_time_stands_still_until_the_go_is_given(tmp_path: Path) -> None:
    """With a go file named, nothing is said before it exists and the first row after."""
    go = tmp_path / "go"
    line = SimulatedLine(tmp_path / "ct-1", RecordedInstrument(Rows(2)()), speed=1000.0, go=go)
    with serving(line), opened(line.link) as port:
        port.timeout = 0.2
        before = port.read_until(b"\r")
        port.timeout = PATIENCE_S
        go.touch()
        after = [port.read_until(b"\r"), port.read_until(b"\r")]

    assert before == b""
    assert after == [b"1000.0,24.00\r", b"1001.0,24.00\r"]


def test_a_line_refuses_to_take_the_place_of_something_else(tmp_path: Path) -> None:
    """A file at the port's name is not overwritten; a folder that is missing is told."""
    taken = tmp_path / "notes.txt"
    taken.write_text("keep")
    speaker = StageSpeaker(Stage.setting(plain_batch(), seed=1))

    with pytest.raises(LineError, match=r"notes\.txt: exists and is not a simulated port"):
        SimulatedLine(taken, speaker).plug()
    with pytest.raises(LineError, match="cannot make the port"):
        SimulatedLine(tmp_path / "nowhere" / "ct-1", speaker).plug()
    assert taken.read_text() == "keep"


@contextlib.contextmanager
def program(*words: str) -> Iterator[subprocess.Popen[str]]:
    """Run the simulators as the demo does, in a process of their own."""
    with subprocess.Popen(
        [sys.executable, "-m", "simulators", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_play_serves_a_port_tells_the_truth_and_leaves_nothing(
    tmp_path: Path, how: signal.Signals
) -> None:
    """The whole program: port line, an action line, live truth, an answer, a clean end."""
    link, truth = tmp_path / "ct-1", tmp_path / "truth.jsonl"
    words = ("play", "plain-batch", "--link", str(link), "--speed", "600", "--truth", str(truth))
    with program(*words) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == f"port: {link}\n"
        with opened(link) as port:
            port.write(b"READ?\n")
            assert port.read_until(b"\r").count(b",") == 1
            assert process.stdout.readline() == "00:03:00 pour grams=7241 over_s=120\n"
            wait_for(lambda: '"pour"' in truth.read_text(), "the truth of the pour")
        process.send_signal(how)
        process.wait(PATIENCE_S)
        assert process.stderr is not None
        complaint = process.stderr.read()

    told = [json.loads(line) for line in truth.read_text().splitlines()]
    poured = next(line for line in told if line["actions"])
    assert (process.returncode, complaint) == (0, "")
    assert not link.is_symlink()
    assert {"t_s", "true_salinity", "salinity_at_probe", "undissolved_g"} <= told[0].keys()
    assert [180.0, "pour"] == [poured["t_s"], poured["actions"][0]["verb"]]


def test_repeat_says_a_recording_and_tells_its_end(tmp_path: Path) -> None:
    """A file goes in, its rows come out of the port, and the end is told."""
    file, link = tmp_path / "r.csv", tmp_path / "ct-1"
    file.write_text(
        "time,conductivity_mS_cm,temperature_C\n"
        "2026-03-02T08:00:00Z,50.1,24.00\n"
        "2026-03-02T08:00:02Z,,\n"
        "2026-03-02T08:00:04Z,50.3,24.02\n"
    )
    words = ("repeat", str(file), "--link", str(link), "--speed", "20", "--missing", "err")
    with program(*words) as process:
        assert process.stdout is not None
        process.stdout.readline()
        with opened(link) as port:
            said = [port.read_until(b"\r") for _ in range(3)]
            end = process.stdout.readline()
        process.send_signal(signal.SIGTERM)
        process.wait(PATIENCE_S)

    assert said == [b"50100.0,24.00\r", b"ERR\r", b"50300.0,24.02\r"]
    assert end == f"end: {file}, 3 rows; the port stays open\n"
    assert process.returncode == 0
    assert not link.is_symlink()


def test_a_link_left_by_a_killed_simulator_is_taken_over(tmp_path: Path) -> None:
    """A dead link does not bar the next start, and only one's own link is removed at the end."""
    link = tmp_path / "ct-1"
    link.symlink_to("/dev/pts/999999")
    first, second = (
        SimulatedLine(link, StageSpeaker(Stage.setting(plain_batch(), seed=1))) for _ in range(2)
    )
    first.plug()
    second.plug()
    first.unplug()

    assert link.exists()
    second.unplug()
    assert not link.is_symlink()
