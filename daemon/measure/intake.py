"""Commands out of the inbox into the station."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from daemon import logs
from daemon.journal.errors import JournalBrokenError, JournalError

if TYPE_CHECKING:
    from logging import Logger

    from daemon.clock import Clock
    from daemon.entries import Instant
    from daemon.journal.inbox_owner import OwnInbox
    from daemon.measure.recorder import Recorder
    from daemon.mixing.station.station import Station

LOOK_ANYWAY_S = 2.0
AT_A_TIME = 100


class Intake:
    """Carries out what waits in the inbox, which it makes and, where it is spoilt, replaces."""

    def __init__(
        self, inbox: OwnInbox, station: Station, recorder: Recorder, clock: Clock, log: Logger
    ) -> None:
        """Take everything ready-made; nothing is looked at yet."""
        self._inbox = inbox
        self._station = station
        self._recorder = recorder
        self._clock = clock
        self._outage = logs.Outage(log, "reading the inbox of commands")
        self._mark: object = None
        self._looked_s = -math.inf
        self.more = False
        """Whether commands are left over from the last look."""

    def take(self, now: Instant) -> None:
        """Carry out the commands that wait, if any came since the last look."""
        mark = self._inbox.mark()
        # File times are coarse: two writes in one tick leave the same mark.
        late = self._clock.real_s(now.mono_s - self._looked_s) >= LOOK_ANYWAY_S
        if mark == self._mark and not late:
            return
        self._looked_s, self.more = now.mono_s, False
        try:
            if late:
                self._establish(now)
            waiting = self._inbox.after(self._station.state.commands_taken, AT_A_TIME)
        except JournalError as exc:
            self._outage.failed(exc, now.mono_s)
            if isinstance(exc, JournalBrokenError):
                self._replace(now)
            return
        self._outage.worked()
        for each in waiting:
            self._recorder.take(self._station.advance(each.command(now)))
        self.more = len(waiting) == AT_A_TIME
        # Some may be left over from a full batch, so only an empty look is remembered.
        self._mark = None if waiting else mark

    def acknowledge(self, now: Instant) -> None:
        """Let the inbox forget the commands that are in the journal."""
        try:
            self._inbox.taken(self._station.state.commands_taken)
        except JournalError as exc:
            self._outage.failed(exc, now.mono_s)

    def _establish(self, now: Instant) -> None:
        """See that there is an inbox, and go on in it; another may have taken its place."""
        state = self._station.state
        events = self._inbox.establish(state.commands_taken, now)
        state.commands_taken = self._inbox.go_on_from(state.commands_taken)
        self._recorder.take(events)

    def _replace(self, now: Instant) -> None:
        try:
            event = self._inbox.put_aside(self._station.state.commands_taken, now)
        except (OSError, JournalError) as exc:
            self._outage.failed(exc, now.mono_s)
            return
        self._recorder.take([event])
