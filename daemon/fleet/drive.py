"""Drives the outlets of many stations by a few threads, each outlet at its own times."""

from __future__ import annotations

import heapq
import time
from collections.abc import Sequence
from threading import Event, Thread

from daemon.fleet.outlet import Outlet

LONGEST_WAIT_S = 0.5


class Drive:
    """Threads that deliver until they are stopped, or until nothing waits any more.

    Attributes:
        late_s: The longest that an outlet waited for its turn: so late was the driver itself, s.
    """

    def __init__(self, outlets: Sequence[Outlet], threads: int) -> None:
        """Share the outlets out; nothing runs yet."""
        self.late_s = 0.0
        self._stop = Event()
        self._last = Event()
        shares = [outlets[number::threads] for number in range(threads)]
        self._outlets = outlets
        self._threads = [Thread(target=self._run, args=(share,)) for share in shares if share]

    def start(self) -> None:
        """Begin to deliver."""
        for thread in self._threads:
            thread.start()

    def finish(self, within_s: float) -> None:
        """Deliver what still waits, at most for so long, then end; the stations make no more."""
        self._last.set()
        deadline_s = time.monotonic() + within_s
        while time.monotonic() < deadline_s and any(each.waiting for each in self._outlets):
            time.sleep(0.05)
        self.stop()

    def stop(self) -> None:
        """End as soon as the delivery that is under way has ended."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
        self._threads.clear()

    def _run(self, share: Sequence[Outlet]) -> None:
        turns = [(each.station.begins_s, number) for number, each in enumerate(share)]
        heapq.heapify(turns)
        while not self._stop.is_set():
            at_s, number = turns[0]
            wait_s = at_s - time.monotonic()
            if wait_s > 0.0:
                self._stop.wait(min(wait_s, LONGEST_WAIT_S))
                continue
            if not self._last.is_set():
                self.late_s = max(self.late_s, -wait_s)
            heapq.heapreplace(turns, (share[number].deliver(time.monotonic), number))
