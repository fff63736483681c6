"""A publishing thread that hangs: the whole process ends, so that another takes its place."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from daemon.journal.writer import Writer

HANGING = """
import logging, sys, threading
from pathlib import Path
from daemon import logs, publish
from daemon.config import parse

class Hanging:
    name = "mqtt"
    def deliver(self, entries):
        if not HANGS:
            return None
        threading.Event().wait()
    def pressing(self):
        return False
    def close(self):
        pass

HANGS = sys.argv[1] == "hangs"
path = Path(sys.argv[2])
publish.step_within_s = lambda config, sink: 1.5
config = parse(sys.argv[3], path)
stop = threading.Event()
threading.Timer(6.0, stop.set).start()
publish.follow_all(config, [Hanging()], stop, logs.set_up("publish"))
"""

CONFIG = """
[station]
name = "quarantine-wing"
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
[journal]
path = "{}"
"""


def played(tmp_path: Path, how: str) -> subprocess.CompletedProcess[str]:
    """Publish for six seconds to a receiver that hangs, or that does not."""
    path = tmp_path / "journal.db"
    Writer(path, 1.0).close()
    return subprocess.run(
        [sys.executable, "-c", HANGING, how, str(path), CONFIG.format(path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def test_a_thread_that_hangs_ends_the_process(tmp_path: Path) -> None:
    """With a code that is started again, and a line that names who hangs."""
    done = played(tmp_path, "hangs")

    assert 70 == done.returncode
    assert "mqtt made no progress" in done.stderr


def test_a_thread_that_makes_progress_ends_nothing(tmp_path: Path) -> None:
    """Though it lives far longer than one step may take."""
    done = played(tmp_path, "works")

    assert (0, "") == (done.returncode, done.stderr)
