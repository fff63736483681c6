"""Both processes together: start, watch, restart, stop; wiring only.

Publishing may die as often as it likes without measuring noticing, and the
other way round; each is started again after a pause that grows.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import logs
from daemon.config import find_config, load
from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.place import prepare
from daemon.probes.registry import SECTIONS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from logging import Logger

FINAL = (ExitCode.DONE, ExitCode.CONFIG)
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
STEADY_S = 60.0
POLL_S = 0.2
STOP_WITHIN_S = 10.0
MODULES = {"measure": "daemon.measure", "publish": "daemon.publish"}
ENVIRONMENT = {"MALLOC_ARENA_MAX": "1"}
"""Of both, as their units have it: what threads free serves all, instead of some MB for each."""


@dataclass(slots=True)
class Child:
    """One process that is watched."""

    name: str
    command: list[str]
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    pause_s: float = FIRST_PAUSE_S
    again_s: float | None = field(default=0.0)
    code: int | None = None


def command(name: str, config: Path) -> list[str]:
    """Return the command line of one of the two processes."""
    return [sys.executable, "-m", MODULES[name], "--config", str(config)]


class Watch:
    """Keeps the children running until told to stop."""

    def __init__(self, children: Sequence[Child], log: Logger) -> None:
        """Take the children, not started yet."""
        self._children = children
        self._log = log
        self.stopping = False

    def run(self) -> int:
        """Watch until stopped, or until measuring has ended for good; return the exit code."""
        try:
            while not self.stopping:
                now_s = time.monotonic()
                for child in self._children:
                    self._look_after(child, now_s)
                if self._children[0].again_s is None:
                    break
                time.sleep(POLL_S)
        finally:
            self._stop_all()
        return 0 if self.stopping else self._children[0].code or 0

    def _look_after(self, child: Child, now_s: float) -> None:
        if child.process is None:
            if child.again_s is not None and now_s >= child.again_s:
                self._start(child, now_s)
            return
        child.code = child.process.poll()
        if child.code is None:
            return
        child.process = None
        if child.code in FINAL:
            child.again_s = None
            return
        if now_s - child.started_s > STEADY_S:
            child.pause_s = FIRST_PAUSE_S
        self._pause(child, now_s, f"ended with code {child.code}")

    def _start(self, child: Child, now_s: float) -> None:
        try:
            child.process = subprocess.Popen(  # noqa: S603 - our own modules
                child.command, env={**os.environ, **ENVIRONMENT}
            )
        except OSError as exc:
            # Out of memory or of processes, perhaps only for now.
            self._pause(child, now_s, f"cannot be started ({exc})")
            return
        child.started_s = now_s

    def _pause(self, child: Child, now_s: float, why: str) -> None:
        child.again_s = now_s + child.pause_s
        self._log.warning("%s %s; starting it again in %.0f s", child.name, why, child.pause_s)
        child.pause_s = min(2 * child.pause_s, LONGEST_PAUSE_S)

    def _stop_all(self) -> None:
        running = [child for child in self._children if child.process is not None]
        for child in running:
            if child.process is not None:
                child.process.terminate()
        deadline_s = time.monotonic() + STOP_WITHIN_S
        for child in running:
            if child.process is None:
                continue
            try:
                child.process.wait(max(0.0, deadline_s - time.monotonic()))
            except subprocess.TimeoutExpired:
                self._log.warning("%s did not stop in %g s; killed", child.name, STOP_WITHIN_S)
                child.process.kill()
                child.process.wait()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run both processes: `python -m daemon.run --config PATH`."""
    parser = argparse.ArgumentParser(prog="python -m daemon.run", description=__doc__)
    parser.add_argument("--config", type=Path)
    options = parser.parse_args(arguments)
    log = logs.set_up("run")
    try:
        path = find_config(options.config)
        prepare(load(path, SECTIONS).journal.path)
    except BrinewrightError as exc:
        for fault in exc.sentences:
            log.error("%s", fault)  # noqa: TRY400 - sentences for the keeper, not a traceback
        return exc.exit_code
    watch = Watch([Child(name, command(name, path)) for name in MODULES], log)

    def stop(*_: object) -> None:
        watch.stopping = True

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    return watch.run()


if __name__ == "__main__":
    sys.exit(main())
