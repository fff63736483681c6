"""Requests an address at intervals while measuring works, so that silence is the alarm.

A monitor outside notices when publishing is dead, because nothing comes, and when measuring
is, because then nothing is sent.  Measuring works while the journal grows: a silent probe
makes it grow too, and has an alarm of its own.  The wall clock is not used.
"""

from __future__ import annotations

import http.client
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event as Signal

from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader
from daemon.logs import Outage
from daemon.publishing.sink import SinkError
from daemon.publishing.sink_secrets import read_secret
from daemon.supervision import Progress

KEY = "heartbeat.url_file"
FRESH_S = 180.0
"""A reading is due at least once a minute, whatever the probe."""
ANSWER_WITHIN_S = 10.0
LOOK_S = 1.0
ROUND_WITHIN_S = 60.0
"""A round that takes longer hangs, for its one wait is at most `ANSWER_WITHIN_S` and a name's."""


def read_url(path: Path) -> str:
    """Return the address that a file holds alone.

    Raises:
        SinkError: It cannot be read, others may read it, or it holds no web address.
    """
    url = (read_secret(path, KEY) or "").strip()
    host = url.partition("://")[2]
    if not url.startswith(("http://", "https://")) or not host or not url.isascii():
        raise SinkError(f"{KEY}: {path} does not hold an address that begins with https://")
    if any(sign.isspace() or not sign.isprintable() for sign in url):
        raise SinkError(f"{KEY}: {path} holds more than one address, or one with a space in it")
    return url


def ping(url: str) -> None:
    """Request an address once; the answer is not read.

    Raises:
        SinkError: It did not answer, or refused; the text does not hold the address.
    """
    request = urllib.request.Request(url, headers={"User-Agent": "brinewright"})  # noqa: S310
    try:
        with urllib.request.urlopen(request, timeout=ANSWER_WITHIN_S):  # noqa: S310 - checked
            pass
    except urllib.error.HTTPError as exc:
        exc.close()
        raise SinkError(f"it answers {exc.code}; check the address in {KEY}") from None
    except urllib.error.URLError as exc:
        why = exc.reason.strerror if isinstance(exc.reason, OSError) else None
        raise SinkError(f"it cannot be reached: {why or type(exc.reason).__name__}") from None
    except (OSError, ValueError, http.client.HTTPException) as exc:
        raise SinkError(f"it does not answer as it should: {type(exc).__name__}") from None


@dataclass(slots=True)
class HeartbeatLoop:
    """The loop that sends them.

    Attributes:
        beat: Sends one heartbeat.
        every_s: Seconds between two of them.
        reader: The journal, which has to grow.
        outage: What is logged of failures.
        clock: Monotonic seconds.
        progress: Where each round is noted, so that a thread that hangs is noticed.
    """

    beat: Callable[[], None]
    every_s: float
    reader: Reader
    outage: Outage
    clock: Callable[[], float] = time.monotonic
    progress: Progress = field(default_factory=lambda: Progress("the heartbeat"))
    _last_seq: int | None = field(default=None, init=False)
    _grew_s: float = field(default=float("-inf"), init=False)
    _due_s: float = field(default=float("-inf"), init=False)

    def run(self, stop: Signal) -> None:
        """Go on until `stop` is set; no failure here reaches another thread."""
        while not stop.is_set():
            self.progress.expect(ROUND_WITHIN_S)
            self.step()
            self.progress.round(ROUND_WITHIN_S)
            stop.wait(LOOK_S)

    def step(self) -> None:
        """Check whether the journal has grown, and send a heartbeat when one is due."""
        now_s = self.clock()
        try:
            seq = self.reader.last_seq()
        except JournalError:
            return  # then silence is the alarm
        if self._last_seq is not None and seq != self._last_seq:
            self._grew_s = now_s
        self._last_seq = seq
        if now_s - self._grew_s > FRESH_S or now_s < self._due_s:
            return
        self._due_s = now_s + self.every_s
        try:
            self.beat()
        except SinkError as exc:
            self.outage.failed(exc, now_s)
        else:
            self.outage.worked()
