"""The two processes together: started again when one dies, ended when one may not go on."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon import run
from daemon.run import Child, Watch
from tests.conftest import PATIENCE_S, wait_until
from tests.unit.cli.test_cli_replay import CONFIG

LOG = logging.getLogger("test.run")
FOREVER = [sys.executable, "-c", "import time; time.sleep(60)"]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look often, and pause in hundredths where the service pauses in seconds."""
    monkeypatch.setattr(run, "POLL_S", 0.01)
    monkeypatch.setattr(run, "LONGEST_PAUSE_S", 0.4)


def ends(code: int, note: Path | None = None) -> list[str]:
    """A command that notes its start and ends with a code."""
    line = f"printf . >>{note}; exit {code}" if note else f"exit {code}"
    return ["sh", "-c", line]


def starts(note: Path) -> int:
    """How often it was started."""
    return note.stat().st_size if note.exists() else 0


@contextmanager
def watching(*children: Child) -> Iterator[list[int]]:
    """Watch the children in the background; stop them at the end; the exit code is appended."""
    watch, codes = Watch(children, LOG), list[int]()
    thread = threading.Thread(target=lambda: codes.append(watch.run()))
    thread.start()
    try:
        yield codes
    finally:
        watch.stopping = True
        thread.join()


def alive(child: Child) -> bool:
    """Whether its process runs."""
    return child.process is not None and child.process.poll() is None


def test_a_child_that_dies_is_started_again_and_the_other_goes_on(tmp_path: Path) -> None:
    """Publishing may die as often as it likes; measuring does not notice."""
    note = tmp_path / "starts"
    measure = Child("measure", FOREVER)
    publish = Child("publish", ends(1, note), pause_s=0.01)
    with watching(measure, publish) as codes:
        wait_until(lambda: alive(measure) and starts(note) >= 3, "three starts")
        first = measure.process
        wait_until(lambda: starts(note) >= 4, "a fourth start")
        assert first is measure.process
        assert [] == codes

    assert [0] == codes


def test_a_child_gets_the_environment_of_its_unit_and_the_rest_of_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its memory is kept as small under this watch as under the service manager's."""
    monkeypatch.setenv("OF_OURS", "kept")
    note = tmp_path / "note"
    write = f'printf "$MALLOC_ARENA_MAX $OF_OURS" >{note}.new; mv {note}.new {note}'
    with watching(Child("measure", ["sh", "-c", write])):
        wait_until(note.exists, "it to run")

    assert "1 kept" == note.read_text(encoding="utf-8")


def test_a_killed_child_is_started_again() -> None:
    """A signal is an end like any other."""
    measure = Child("measure", FOREVER, pause_s=0.01)
    with watching(measure):
        wait_until(lambda: alive(measure), "the first start")
        assert measure.process is not None
        first = measure.process.pid
        os.kill(first, signal.SIGKILL)
        wait_until(
            lambda: alive(measure) and getattr(measure.process, "pid", first) != first,
            "the second start",
        )


def test_pauses_grow_up_to_a_limit(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """One that dies at once is tried ever less often, and each pause is told."""
    child = Child("publish", ends(3), pause_s=0.05)
    with watching(Child("measure", FOREVER), child):
        wait_until(lambda: len(caplog.messages) >= 5, "five deaths")
        assert 0.4 == child.pause_s

    assert "publish ended with code 3; starting it again in" in caplog.messages[0]
    pauses = [record.args[2] for record in caplog.records if isinstance(record.args, tuple)]
    assert [0.05, 0.1, 0.2, 0.4, 0.4] == pauses[:5]


def test_one_that_ran_steadily_is_started_again_soon(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """After a good while an end is a new trouble, not the old one."""
    monkeypatch.setattr(run, "STEADY_S", 0.0)
    monkeypatch.setattr(run, "FIRST_PAUSE_S", 0.02)
    with watching(Child("measure", FOREVER), Child("publish", ends(1), pause_s=0.3)):
        wait_until(lambda: len(caplog.messages) >= 3, "three deaths")

    pauses = [record.args[2] for record in caplog.records if isinstance(record.args, tuple)]
    assert {0.02} == set(pauses)


@pytest.mark.parametrize("code", [78, 0])
def test_measuring_that_ends_for_good_ends_all(code: int) -> None:
    """A wrong configuration is not tried again; the service manager gets its code."""
    publish = Child("publish", FOREVER)
    watch = Watch([Child("measure", ends(code)), publish], LOG)

    assert code == watch.run()
    assert publish.process is not None
    assert publish.process.returncode is not None


@pytest.mark.parametrize("code", [78, 0])
def test_publishing_that_ends_for_good_leaves_measuring(tmp_path: Path, code: int) -> None:
    """It is not started again, and nothing else happens."""
    note = tmp_path / "starts"
    measure, publish = Child("measure", FOREVER), Child("publish", ends(code, note), pause_s=0.01)
    with watching(measure, publish) as codes:
        wait_until(lambda: publish.again_s is None, "the end of publishing")
        assert alive(measure)
        assert ([], 1) == (codes, starts(note))


def test_a_program_that_cannot_be_started_is_tried_again_and_leaves_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Out of memory or files for a moment: no traceback, and measuring goes on."""
    program = tmp_path / "late"
    publish = Child("publish", [str(program)], pause_s=0.01)
    measure = Child("measure", FOREVER)
    with watching(measure, publish) as codes:
        wait_until(lambda: any("cannot be started" in m for m in caplog.messages), "the sentence")
        assert alive(measure)
        program.write_text("#!/bin/sh\nexec sleep 60\n")
        program.chmod(0o755)
        wait_until(lambda: alive(publish), "the start")
        assert [] == codes


def test_one_that_does_not_stop_is_killed(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """Stopping takes no longer than it may."""
    monkeypatch.setattr(run, "STOP_WITHIN_S", 0.2)
    note = tmp_path / "ready"
    line = f"import signal,time; signal.signal(15, signal.SIG_IGN); open({str(note)!r}, 'w');"
    stubborn = Child("measure", [sys.executable, "-c", line + "time.sleep(60)"])
    with watching(stubborn) as codes:
        wait_until(note.exists, "the start")

    assert [0] == codes
    assert stubborn.process is not None
    assert -signal.SIGKILL == stubborn.process.returncode
    assert "did not stop in 0.2 s; killed" in caplog.text


# --- the program --------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path, free_port: int) -> Path:
    """A configuration that both processes can work with: a serial port that is not there."""
    path = tmp_path / "brinewright.toml"
    path.write_text(
        CONFIG
        + r"""
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "no-such-port"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"

[mqtt]
host = "127.0.0.1"
port = 9
"""
        + f'[page]\nlisten = "127.0.0.1:{free_port}"\n'
    )
    return path


def children_of(pid: int) -> list[int]:
    """Its child processes."""
    path = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(each) for each in path.read_text().split()] if path.exists() else []


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_stopped_service_leaves_nothing_running(config: Path, how: signal.Signals) -> None:
    """Both processes end with it, neither by force, and the exit is 0."""
    with subprocess.Popen(
        [sys.executable, "-m", "daemon.run", "--config", config],
        cwd=Path(__file__).parents[3],
        stderr=subprocess.PIPE,
    ) as service:
        journal = config.parent / "configured.db"
        try:
            wait_until(lambda: len(children_of(service.pid)) == 2 and journal.exists(), "both")
            children = children_of(service.pid)
        finally:
            service.send_signal(how)
        _, said = service.communicate(timeout=PATIENCE_S)

    assert 0 == service.returncode
    assert [] == [pid for pid in children if Path(f"/proc/{pid}").exists()]
    assert b"killed" not in said
    assert b"Traceback" not in said


def test_a_wrong_configuration_starts_nothing(config: Path) -> None:
    """78, and every fault in a sentence."""
    config.write_text(config.read_text().replace("fill_l", "fil_l"))
    done = subprocess.run(
        [sys.executable, "-m", "daemon.run", "--config", config],
        cwd=Path(__file__).parents[3],
        capture_output=True,
        check=False,
    )

    assert 78 == done.returncode
    assert b"the nearest is fill_l" in done.stderr
    assert b"Traceback" not in done.stderr
