"""A person at a terminal: a program on a real pseudo-terminal, what it shows, and keys pressed."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.conftest import PATIENCE_S
from tests.services.service_parts import ROOT

CONTROL = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")
"""What moves the cursor and chooses colours: ECMA-48 (1991), control sequences."""


@dataclass
class Terminal:
    """One program on a terminal of 100 columns.

    Attributes:
        process: The program.
        screen: All that it has shown, without what only moves the cursor.
    """

    process: subprocess.Popen[bytes]
    master: int
    screen: str = ""
    _from: int = 0

    def expect(self, text: str, timeout_s: float = 30.0) -> None:
        """Wait until it shows a text, after all that was expected before.

        Raises:
            AssertionError: It does not; what it showed is in the message.
        """
        if not self._shows(text, timeout_s):
            raise AssertionError(f"waited in vain for {text!r}; shown: {self.screen[-2000:]}")

    def _shows(self, text: str, timeout_s: float) -> bool:
        deadline_s = time.monotonic() + timeout_s
        # A line that was broken to fit the screen is still the same words.
        wanted = re.compile(r"\s+".join(map(re.escape, text.split())))
        while (found := wanted.search(self.screen, self._from)) is None:
            if time.monotonic() > deadline_s or not self._read():
                return False
        self._from = found.end()
        return True

    def press(self, keys: str = "") -> None:
        """Type something and press Enter."""
        os.write(self.master, f"{keys}\n".encode())

    def interrupt(self, until: str = "") -> None:
        """Press Ctrl-C, as the terminal passes it on, and again until it shows a text."""
        for _ in range(10):
            self.process.send_signal(signal.SIGINT)
            if not until or self._shows(until, 1.0):
                return
        raise AssertionError(f"no {until!r} after Ctrl-C; shown: {self.screen[-2000:]}")

    def ended(self) -> int:
        """Wait for its end and return its exit code."""
        while self._read():
            pass
        return self.process.wait(PATIENCE_S)

    def _read(self) -> bool:
        """Take what it shows; False once it is over."""
        ready, _, _ = select.select([self.master], [], [], 0.2)
        if not ready:
            return True
        try:
            data = os.read(self.master, 65536)
        except OSError:  # Linux says so when the other end is closed
            return False
        self.screen += CONTROL.sub("", data.decode(errors="replace"))
        return bool(data)


@contextlib.contextmanager
def at_terminal(words: Sequence[str]) -> Iterator[Terminal]:
    """Run `brinewright WORDS` on a pseudo-terminal until the block ends."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli.main", *words],
        cwd=ROOT,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "COLUMNS": "100", "TERM": "xterm"},
    )
    os.close(slave)
    try:
        yield Terminal(process, master)
    finally:
        process.kill()
        process.wait(PATIENCE_S)
        os.close(master)
