"""What a test leaves running is found, and laid to its own door."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests import conftest

ROOT = Path(__file__).parents[3]

LEAKS = {
    "process": 'subprocess.Popen(["sleep", "60"]); warnings.simplefilter("ignore")',
    "orphan": 'subprocess.run(["sh", "-c", "sleep 60 &"], check=True)',
    "thread": "threading.Thread(target=time.sleep, args=(6,), daemon=True).start()",
}


@pytest.mark.parametrize("kind", LEAKS)
def test_what_a_test_leaves_running_fails_it(tmp_path: Path, kind: str) -> None:
    """A forgotten process, a killed parent's child or a thread is laid to the test's own door."""
    (tmp_path / "test_leak.py").write_text(
        "import subprocess, threading, time, warnings\n\n\n"
        f"def test_leak():\n    {LEAKS[kind]}\n\n\ndef test_after():\n    pass\n"
    )
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "tests.conftest",
        "-p",
        "no:cacheprovider",
    ]
    done = subprocess.run(
        [*command, "--rootdir", tmp_path, "-c", os.devnull, tmp_path / "test_leak.py"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )

    assert done.returncode == 1, done.stdout
    assert "left running: " in done.stdout
    assert "2 passed, 1 error" in done.stdout


@pytest.mark.parametrize("listed", [True, False])
def test_children_are_found_whatever_the_kernel_lists(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *, listed: bool
) -> None:
    """One that another thread started, and none that has ended, with their list or without."""
    if not listed:
        monkeypatch.setattr(conftest, "CHILDREN_OF_A_THREAD", tmp_path / "children")
    before = conftest.children()
    started: list[subprocess.Popen[bytes]] = []
    goes_on = threading.Event()

    def start() -> None:
        started.extend(subprocess.Popen(["cat"], stdin=subprocess.PIPE) for _ in range(2))
        goes_on.wait()

    thread = threading.Thread(target=start)
    thread.start()
    conftest.wait_until(lambda: len(started) == 2, "two processes")
    ended, lives = started
    ended.kill()
    os.waitid(os.P_PID, ended.pid, os.WEXITED | os.WNOWAIT)

    found = conftest.children()
    goes_on.set()
    thread.join()
    for each in started:
        each.communicate()

    assert {lives.pid: "cat"} == {n: line for n, line in found.items() if n not in before}
