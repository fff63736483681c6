"""One sink of one simulated station: what waits for it, what it acknowledged, and how late."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.publishing.sink import BATCH, Backoff, Sink, SinkError

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.fleet.simulated_station import Due, SimulatedStation


@dataclass(slots=True)
class Outlet:
    """Delivers what a station made, as the publishing process does; used by one thread.

    Attributes:
        station: Whose entries they are.
        sink: Where they go.
        backoff: How long to wait after a failure.
        acknowledged: How many entries the other side said that it has.
        refused: How many of those it will never take.
        failures: How often a delivery failed.
        why: The reason of the last failure; empty before any.
        lags_s: Of each acknowledged entry, from when it was due, s.
    """

    station: SimulatedStation
    sink: Sink
    backoff: Backoff
    acknowledged: int = 0
    refused: int = 0
    failures: int = 0
    why: str = ""
    lags_s: array[float] = field(default_factory=lambda: array("d"))
    _waiting: list[Due] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Have every entry from now on come here too."""
        self._waiting = self.station.follower()

    @property
    def waiting(self) -> int:
        """How many entries it has not acknowledged yet."""
        return len(self._waiting)

    def deliver(self, now: Callable[[], float]) -> float:
        """Deliver what is due; return when to come again, monotonic time, s.

        Args:
            now: Monotonic time, s.
        """
        self.station.advance(now())
        due = self.station.take(self._waiting, BATCH)
        try:
            refusal = self.sink.deliver([each.stored for each in due])
        except SinkError as exc:
            self.failures += 1
            self.why = str(exc)
            return now() + max(exc.wait_s, self.backoff.failed(now()))
        self.station.drop(self._waiting, len(due))
        done_s = now()
        self.backoff.worked(done_s)
        self.acknowledged += len(due)
        self.refused += 0 if refusal is None else len(refusal.seqs)
        self.lags_s.extend(done_s - each.at_s for each in due)
        return done_s if self._waiting else self._next_s(done_s)

    def _next_s(self, now_s: float) -> float:
        """Return when the next reading of the station is due."""
        begins_s, period_s = self.station.begins_s, self.station.period_s
        if now_s < begins_s:
            return begins_s
        return begins_s + ((now_s - begins_s) // period_s + 1) * period_s
