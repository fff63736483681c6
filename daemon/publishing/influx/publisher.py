"""Publishes to a time-series database that takes InfluxDB's v2 writes.

Entries go as lines, a batch a request, oldest first.  Lines that the database will never
accept are found by halving the batch, left out, counted and reported; what a person can mend
holds everything up until it is mended.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from daemon.config import Influx
from daemon.journal.cursors import Refusal
from daemon.journal.reader import Stored
from daemon.publishing.sink import SinkError
from daemon.publishing.sink_secrets import read_secret

PING_EVERY_S = 10.0
HABIT = 5
"""So many replaced connections within so many times `kept_after_s` are a server's habit."""

log = logging.getLogger("brinewright.publish")


class LineWriter(Protocol):
    """Something that lines are written to; `Database` is one, and documents what it raises.

    Attributes:
        where: Its name in sentences.
    """

    where: str

    def write(self, lines: Sequence[str]) -> None:
        """Write lines; return once all of them were accepted."""

    def ping(self) -> None:
        """Return if it answers."""

    def renewed(self) -> bool:
        """Return once whether its connection was replaced meanwhile."""

    def close(self) -> None:
        """Close it."""


class LiveLines(Protocol):
    """Lines of the present state; `LiveChance` gives them."""

    def due(self, now_s: float) -> list[str]:
        """Return the lines that are due at a monotonic time, s."""


def connect(settings: Influx, token: str) -> LineWriter:
    """Return a connection to a database; loads the client only now.

    That takes a while, and in the thread of this sink no other one waits for it.

    Raises:
        SinkError: The certificates cannot be used.
    """
    from daemon.publishing.influx.database import Database

    return Database(settings, token)


@dataclass(frozen=True, slots=True)
class _Refused:
    """A line that was not accepted.

    Attributes:
        seq: Number of its entry.
        why: The reason that the database gives.
        lasting: Whether it will be refused in any case.
    """

    seq: int
    why: str
    lasting: bool


@dataclass(slots=True)
class _Outcome:
    """What became of the lines of one batch."""

    taken: int = 0
    refused: list[_Refused] = field(default_factory=list)


class InfluxSink:
    """A sink for one bucket; connects when first needed, and again after a fault."""

    name = "influx"

    def __init__(
        self,
        settings: Influx,
        station: str,
        clock: Callable[[], float] = time.monotonic,
        ping_every_s: float | None = None,
        open_: Callable[[Influx, str], LineWriter] = connect,
        live: LiveLines | None = None,
    ) -> None:
        """Check that there is a token; nothing is sent yet.

        Args:
            settings: The section `[influx]`.
            station: Name of the station.
            clock: Monotonic seconds.
            ping_every_s: Without entries it is pinged this often, s; None
                for often enough to notice that it was started again before what it has just
                acknowledged counts as written down.
            open_: Makes a connection from the section and the token.
            live: Lines of the present state; None for none.

        Raises:
            SinkError: A file that the section names cannot be used.
        """
        self._settings = settings
        self._station = station
        self._clock = clock
        default_s = min(PING_EVERY_S, max(1.0, settings.kept_after_s / 2))
        self._ping_every_s = default_s if ping_every_s is None else ping_every_s
        self._renewals_s: deque[float] = deque(maxlen=HABIT)
        self._open = open_
        self._live = live
        self._database: LineWriter | None = None
        self._answered_s = float("-inf")
        self._logged = False
        self._token()

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Write entries; see `Sink`."""
        try:
            database = self._connect()
            self._write_live(database)
            if entries:
                return self._write(database, entries)
            if self._clock() - self._answered_s >= self._ping_every_s:
                database.ping()
                self._answered_s = self._clock()
        except SinkError:
            self.close()  # the token is read again, in case it was the cause
            raise
        return None

    def pressing(self) -> bool:
        """Nothing ever comes in; see `Sink`."""
        return False

    def renewed(self) -> bool:
        """Return whether the database may have been started again unnoticed; see `Renewing`."""
        if self._database is None or not self._database.renewed():
            return False
        now_s, habit_s = self._clock(), HABIT * self._settings.kept_after_s
        self._renewals_s.append(now_s)
        return len(self._renewals_s) < HABIT or now_s - self._renewals_s[0] > habit_s

    def close(self) -> None:
        """Close the connection; see `Sink`."""
        if self._database is not None:
            self._database.close()
            self._database = None

    def _connect(self) -> LineWriter:
        if self._database is None:
            self._database = self._open(self._settings, self._token())
            self._database.ping()
            self._answered_s = self._clock()
            if not self._logged:
                where = self._database.where
                log.info("publishing to %s, bucket %r", where, self._settings.bucket)
                self._logged = True  # the log has a line of its own after a fault
        return self._database

    def _token(self) -> str:
        return read_secret(self._settings.token_file, "influx.token_file") or ""

    def _write(self, database: LineWriter, entries: Sequence[Stored]) -> Refusal | None:
        from daemon.publishing.influx.line_protocol import UnfitError, line

        outcome, lines = _Outcome(), []
        for each in entries:
            try:
                lines.append((each.seq, line(self._station, each)))
            except UnfitError as exc:
                outcome.refused.append(_Refused(each.seq, str(exc), lasting=True))
        if lines:
            _write_lines(database, lines, outcome)
        self._answered_s = self._clock()
        self._judge(database, outcome)
        if not outcome.refused:
            return None
        refused = sorted(outcome.refused, key=lambda one: one.seq)
        return Refusal(tuple(one.seq for one in refused), refused[-1].why)

    def _write_live(self, database: LineWriter) -> None:
        """Write the lines of the present state that are due; refused ones hold nothing up."""
        from daemon.publishing.influx.database import RefusedError

        lines = [] if self._live is None else self._live.due(self._clock())
        if not lines:
            return
        try:
            database.write(lines)
        except RefusedError as exc:
            log.warning("%s refuses the present state: %s", database.where, exc)
        self._answered_s = self._clock()

    def _judge(self, database: LineWriter, outcome: _Outcome) -> None:
        """Have entries left out only where it is their fault.

        Beside others that were taken it is.  Where most are refused it is the bucket's, and
        a person can mend that; then nothing is left out.

        Raises:
            SinkError: Most were refused.
        """
        perhaps = [one for one in outcome.refused if not one.lasting]
        if len(perhaps) <= outcome.taken:
            return
        raise SinkError(
            f"{database.where} refuses {len(perhaps)} of {len(perhaps) + outcome.taken} entries:"
            f" {perhaps[-1].why}; if another program writes to the bucket"
            f" {self._settings.bucket!r}, give this one a bucket of its own (influx.bucket)"
        )


def _write_lines(database: LineWriter, lines: Sequence[tuple[int, str]], outcome: _Outcome) -> None:
    """Write lines, halving what is refused until each refused line stands alone.

    Or until the database says that it left out all of them, as it does with each batch of
    a long backlog that is older than what it keeps.
    """
    from daemon.publishing.influx.database import RefusedError

    try:
        database.write([text for _, text in lines])
    except RefusedError as exc:
        if len(lines) in (1, exc.dropped):
            outcome.refused += [_Refused(seq, str(exc), exc.lasting) for seq, _ in lines]
            return
        middle = len(lines) // 2
        for half in (lines[:middle], lines[middle:]):
            _write_lines(database, half, outcome)
    else:
        outcome.taken += len(lines)
