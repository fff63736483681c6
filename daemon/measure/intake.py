"""Commands out of the inbox into the station."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from daemon import logs
from daemon.journal.bell import Bell
from daemon.journal.errors import JournalBrokenError, JournalError

if TYPE_CHECKING:
    from logging import Logger

    from daemon.clock import Clock
    from daemon.entries import Instant
    from daemon.journal.inbox_owner import OwnInbox
    from daemon.measure.recorder import Recorder
    from daemon.mixing.station.station import Station

LOOK_ANYWAY_S = 5.0
"""A command for which nobody could ring is taken within so long; half of what its sender waits."""
WITHOUT_BELL_S = 0.5
"""So often the state of the file is looked at where there is no bell."""
AGAIN_S = 2.0
"""An inbox that cannot be read is left alone for so long."""
EARLY_S = 1.0
"""A turn that there is anyway does what is due so soon, which spares another wake-up."""
AT_A_TIME = 100


class Intake:
    """Carries out what waits in the inbox, which it makes and, where it is spoilt, replaces."""

    def __init__(
        self, inbox: OwnInbox, station: Station, recorder: Recorder, clock: Clock, log: Logger
    ) -> None:
        """Take everything ready-made; nothing is looked at yet."""
        self._inbox = inbox
        self._bell = Bell(inbox.path)
        self._station = station
        self._recorder = recorder
        self._clock = clock
        self._outage = logs.Outage(log, "reading the inbox of commands")
        self._mark: object = None
        self._settled = False
        """Whether the mark is one that lasted, so that no later write can have left the same."""
        self._looked_s = self._late_s = -math.inf
        self._rung = False

    def fileno(self) -> int | None:
        """Return the descriptor that can be read once a command came; None without a bell."""
        return self._bell.fileno()

    def wait_s(self, now_s: float) -> float:
        """Return how long `take` may wait while nobody rings, s."""
        if self._rung:
            return 0.0
        longest_s = LOOK_ANYWAY_S if self._bell.fileno() is not None else WITHOUT_BELL_S
        if self._outage.lasts:
            longest_s = AGAIN_S
        return longest_s - self._clock.real_s(now_s - self._looked_s)

    def readable(self) -> None:
        """Have the next `take` look: a command has rung."""
        self._bell.silence()
        self._rung = True

    def take(self, now: Instant) -> None:
        """Carry out the commands that wait, where it is time to look."""
        if self.wait_s(now.mono_s) > EARLY_S:
            return
        rung, self._rung, self._looked_s = self._rung, False, now.mono_s
        late = self._clock.real_s(now.mono_s - self._late_s) >= LOOK_ANYWAY_S - EARLY_S
        if late:
            self._late_s = now.mono_s
        mark = self._inbox.mark()
        changed = mark != self._mark
        if not (rung or changed or late):
            return
        self._bell.hang()
        if self._settled and not (rung or changed):
            return
        try:
            self._establish(now)
            # What establishing wrote is no news, and whatever is written from here on is.
            mark = self._inbox.mark()
            self._look(now)
            self._settled, self._mark = late and mark == self._mark, mark
        except JournalError as exc:
            self._mark = None
            self._outage.failed(exc, now.mono_s)
            if isinstance(exc, JournalBrokenError):
                self._replace(now)

    def acknowledge(self, now: Instant) -> None:
        """Let the inbox forget the commands that are in the journal."""
        try:
            self._inbox.taken(self._station.state.commands_taken)
        except JournalError as exc:
            self._outage.failed(exc, now.mono_s)

    def close(self) -> None:
        """Let go of the bell; may be called twice."""
        self._bell.close()

    def _establish(self, now: Instant) -> None:
        """See that there is an inbox, and a bell beside it."""
        self._recorder.take(self._inbox.establish(self._station.state.commands_taken, now))
        self._bell.hang()

    def _look(self, now: Instant) -> None:
        """Carry out what waits; another inbox may have taken its place and count from 1 again."""
        state = self._station.state
        state.commands_taken = self._inbox.go_on_from(state.commands_taken)
        waiting = self._inbox.after(state.commands_taken, AT_A_TIME)
        self._outage.worked()
        for each in waiting:
            self._recorder.take(self._station.advance(each.command(now)))
        # There may be more behind a full batch, and nobody rings for those again.
        self._rung = len(waiting) == AT_A_TIME

    def _replace(self, now: Instant) -> None:
        try:
            event = self._inbox.put_aside(self._station.state.commands_taken, now)
        except (OSError, JournalError) as exc:
            self._outage.failed(exc, now.mono_s)
            return
        self._recorder.take([event])
