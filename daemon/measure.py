"""The measuring process: probes in, journal out; wiring only.

One plain loop, no threads.  It waits for bytes or for the next thing due,
feeds the station, and writes what follows from it at once.
"""

from __future__ import annotations

import argparse
import math
import select
import signal
import sys
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import __version__, assembly, logs
from daemon.config import ConfigError, find_config, load
from daemon.entries import Event, Kind
from daemon.errors import ExitCode
from daemon.journal.checkpoint import dump
from daemon.journal.errors import JournalBrokenError, JournalError
from daemon.journal.event_codec import facts_of
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.journal.station_restore import rebuilt
from daemon.journal.upkeep import Keeping, keeping_of
from daemon.journal.write_buffer import Held
from daemon.mixing.service_events import MeasuringBegan, MeasuringEnded
from daemon.probes.registry import SECTIONS
from daemon.supervision import Reports, notify
from daemon.weights_file import WeightsError, load_weights

if TYPE_CHECKING:
    from collections.abc import Sequence
    from logging import Logger

    from daemon.clock import Clock
    from daemon.config import Config
    from daemon.entries import JSON, Entry, Instant
    from daemon.journal.writer import Writer
    from daemon.mixing.stability.weights import Weights
    from daemon.mixing.station.station import Station
    from daemon.probes.driver import Driver

LONGEST_WAIT_S = 0.5
MEMORY_EVERY_S = 600.0
PICTURE_EVERY_S = 30.0
"""Readers renew a picture by themselves from the readings after it."""
LOOK_ANYWAY_S = 2.0
AT_A_TIME = 100
AGAIN_S = 1.0
"""A journal that could not be written is left alone for so long."""
UNTOLD = ("reason", "record")
"""Facts that are too long for a line of the log; the journal has them."""
REMEMBERED = (Kind.PHASE, Kind.BATCH, Kind.ALARM, Kind.COMMAND)


class Measuring:
    """The loop and what it holds between two turns."""

    def __init__(
        self,
        station: Station,
        probes: Sequence[Driver],
        writer: Writer,
        clock: Clock,
        log: Logger,
        inbox: OwnInbox | None = None,
        keeping: Keeping | None = None,
    ) -> None:
        """Take everything ready-made."""
        self._reports = Reports(len(probes))
        self._keeping = keeping
        self._spoilt = ""
        self._written = 0
        self._inbox = inbox
        self._inbox_seen: object = None
        self._inbox_looked_s = -math.inf
        self._inbox_full = False
        self._station = station
        self._probes = probes
        self._writer = writer
        self._clock = clock
        self._log = log
        self._outage = logs.Outage(log, "writing the journal")
        self._inbox_outage = logs.Outage(log, "reading the inbox of commands")
        self._held = Held()
        self._failed_s = -math.inf
        self._memory_s: float | None = None
        self._memory_owed = False
        self._picture_s: dict[str, float] = {}
        self.stopping = False

    def run(self) -> None:
        """Measure until `stopping` is set."""
        while not self.stopping:
            self.turn()

    def turn(self) -> None:
        """Wait for the next thing, take what came and write what follows."""
        ready = self._wait()
        now = self._clock.now()
        for probe in self._probes:
            descriptor = probe.fileno()
            samples = probe.readable(now) if descriptor in ready else []
            for sample in [*samples, *probe.wake(now)]:
                self._reports.reported(f"{sample.reservoir}/{sample.probe}", sample.fault)
                entries = self._station.advance(sample)
                self._tell(entries)
                self.hold(entries)
        self.obey(now)
        self.look(now)
        self.write(now)
        self.tidy(now)
        notify("WATCHDOG=1")

    def resume(self, now: Instant, *, unexpected: bool = False) -> None:
        """Tell what did not survive the end of the process before this one.

        Args:
            now: When measuring begins.
            unexpected: Whether that process ended without being told to.
        """
        entries = self._station.resume(now, unexpected=unexpected)
        self._tell(entries)
        self.hold(entries)

    def obey(self, now: Instant) -> None:
        """Carry out the commands that wait, if any came since the last look."""
        if self._inbox is None:
            return
        mark = self._inbox.mark()
        # File times are coarse: two writes in one tick leave the same mark.
        late = self._clock.real_s(now.mono_s - self._inbox_looked_s) >= LOOK_ANYWAY_S
        if mark == self._inbox_seen and not late:
            return
        self._inbox_looked_s, self._inbox_full = now.mono_s, False
        try:
            if late:
                self._enter(self._inbox, now)
            waiting = self._inbox.after(self._station.state.commands_taken, AT_A_TIME)
        except JournalError as exc:
            self._inbox_outage.failed(exc, now.mono_s)
            if isinstance(exc, JournalBrokenError):
                self._renew_inbox(self._inbox, now)
            return
        self._inbox_outage.worked()
        for each in waiting:
            entries = self._station.advance(each.command(now))
            self._tell(entries)
            self.hold(entries)
        self._inbox_full = len(waiting) == AT_A_TIME
        # Some may be left over from a full batch, so only an empty look is remembered.
        self._inbox_seen = None if waiting else mark

    def _enter(self, inbox: OwnInbox, now: Instant) -> None:
        """See that there is an inbox, and go on in it; another may have taken its place."""
        state = self._station.state
        told = inbox.establish(state.commands_taken, now)
        state.commands_taken = inbox.go_on_from(state.commands_taken)
        self._tell(told)
        self.hold(told)

    def _renew_inbox(self, inbox: OwnInbox, now: Instant) -> None:
        try:
            told = [inbox.put_aside(self._station.state.commands_taken, now)]
        except (OSError, JournalError) as exc:
            self._inbox_outage.failed(exc, now.mono_s)
            return
        self._tell(told)
        self.hold(told)

    def look(self, now: Instant, *, at_once: bool = False) -> None:
        """Tell the station what it runs on, about once a minute."""
        # The first sample begins the station's time, in a replay as here.
        began = self._station.state.timeline.boot is not None
        lookout = self._keeping.lookout if self._keeping and began else None
        seen = lookout and lookout.look(now, self._held.lost, at_once=at_once)
        if seen:
            entries = self._station.advance(seen)
            self._tell(entries)
            self.hold(entries)

    def hold(self, entries: Sequence[Entry]) -> None:
        """Keep entries until they are written."""
        self._held.add(entries)

    def write(self, now: Instant, *, at_once: bool = False) -> None:
        """Write what is held, as much as one turn may; on failure it stays held."""
        left_alone = self._clock.real_s(now.mono_s - self._failed_s) < AGAIN_S
        if not self._held or (left_alone and not at_once):
            return
        if self._spoilt and not self._begin_anew(now):
            return
        entries = self._held.next(now)
        # Both are of this moment, so they belong to the last entry and to none before it.
        whole = len(entries) >= len(self._held)
        pictures = self._pictures(entries, now) if whole else {}
        memory = self._memory(entries, now.mono_s) if whole else None
        try:
            self._writer.append(entries, now.mono_s, pictures, memory)
        except JournalError as exc:
            self._failed(exc, now)
            return
        self._held.written(entries)
        self._written += len(entries)
        self._memory_owed = not whole
        self._worked()
        self._picture_s |= dict.fromkeys(pictures, now.mono_s)
        if memory is not None:
            self._memory_s = now.mono_s
        if any(isinstance(entry, Event) and entry.kind is Kind.COMMAND for entry in entries):
            self._tidy_inbox(now)

    def tidy(self, now: Instant) -> None:
        """Do one slice of what retention asks for, when nothing waits to be written."""
        written, self._written = self._written, 0
        retention = self._keeping and self._keeping.retention
        if not retention or not retention.due(now, written) or self._held:
            return
        try:
            told = self._writer.within(partial(retention.slice, now=now))
        except JournalError as exc:
            self._failed(exc, now)
            return
        self._tell(told)
        self.hold(told)

    def finish(self, now: Instant) -> None:
        """Write all that is held, as far as that is possible."""
        left = len(self._held) + 1
        while 0 < len(self._held) < left:
            left = len(self._held)
            self.write(now, at_once=True)

    def _failed(self, exc: JournalError, now: Instant) -> None:
        """Say that writing fails, to whoever can still be told."""
        if not self._outage.lasts:
            self.look(now, at_once=True)
        self._reports.unrecorded(str(exc))
        self._outage.failed(exc, now.mono_s)
        self._failed_s = now.mono_s
        if isinstance(exc, JournalBrokenError):
            self._spoilt = str(exc)

    def _begin_anew(self, now: Instant) -> bool:
        """Go on in a new journal; what could not be written to the old one is still held."""
        if self._keeping is None:
            return True
        self.close()
        try:
            self._writer, told = self._keeping.open(now, self._spoilt)
        except JournalError as exc:
            self._outage.failed(exc, now.mono_s)
            return False
        self._spoilt, self._memory_owed = "", True
        self.hold(told)
        return True

    def close(self) -> None:
        """Let go of the journal."""
        self._writer.close()

    def _worked(self) -> None:
        self._failed_s = -math.inf
        self._reports.recorded()
        self._outage.worked()

    def _tidy_inbox(self, now: Instant) -> None:
        if self._inbox is None:
            return
        try:
            self._inbox.taken(self._station.state.commands_taken)
        except JournalError as exc:
            self._inbox_outage.failed(exc, now.mono_s)

    def _wait(self) -> list[int]:
        now_s = self._clock.now().mono_s
        due_s = min((probe.wake_s() for probe in self._probes), default=now_s + LONGEST_WAIT_S)
        longest_s = 0.0 if self._inbox_full else LONGEST_WAIT_S
        wait_s = min(self._clock.real_s(max(0.0, due_s - now_s)), longest_s)
        descriptors = [number for probe in self._probes if (number := probe.fileno()) is not None]
        ready, _, _ = select.select(descriptors, [], [], wait_s)
        return ready

    def _pictures(self, entries: Sequence[Entry], now: Instant) -> dict[str, JSON]:
        told = {entry.reservoir for entry in entries if isinstance(entry, Event)}
        due = {
            entry.reservoir
            for entry in entries
            if now.mono_s - self._picture_s.get(entry.reservoir, -math.inf) >= PICTURE_EVERY_S
        }
        if due - {""}:
            due.add("")
        return {name: self._station.picture(name, now) for name in sorted(told | due)}

    def _memory(self, entries: Sequence[Entry], now_s: float) -> str | None:
        due = self._memory_s is None or now_s - self._memory_s >= MEMORY_EVERY_S
        told = any(isinstance(entry, Event) and entry.kind in REMEMBERED for entry in entries)
        return dump(self._station.state) if due or told or self._memory_owed else None

    def _tell(self, entries: Sequence[Entry]) -> None:
        for entry in entries:
            if isinstance(entry, Event) and entry.kind is not Kind.FORECAST:
                facts = ", ".join(
                    f"{k}={v}" for k, v in facts_of(entry.body).items() if k not in UNTOLD
                )
                self._log.info("%s: %s %s", entry.reservoir or "station", entry.kind, facts)


def measure(config: Config, weights: Weights, log: Logger) -> int:
    """Measure until told to stop; return the exit code."""
    settings = assembly.reservoirs(config)
    clock = assembly.clock(config)
    keeping = keeping_of(config, log)
    try:
        writer, told = keeping.open(clock.now(), "")
        with closing(writer):
            station = rebuilt(config.journal.path, settings, weights, log, assembly.station(config))
            probes = assembly.probes(config)
            inbox = OwnInbox(config.journal.path)
            loop = Measuring(station, probes, writer, clock, log, inbox, keeping)
            loop.hold(told)
            _run(loop, probes, clock, config, log)
    except JournalError as exc:
        log.error("%s", exc)  # noqa: TRY400 - a sentence for the keeper, not a traceback
        return exc.exit_code
    return 0


def _run(
    loop: Measuring,
    probes: Sequence[Driver],
    clock: Clock,
    config: Config,
    log: Logger,
) -> None:
    def stop(*_: object) -> None:
        loop.stopping = True

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    now = clock.now()
    speed = config.station.rehearsal_speed
    began = MeasuringBegan(__version__, speed if speed > 1.0 else None)
    unexpected = Reader(config.journal.path).ended_unasked()
    loop.hold([Event("", now, "", began)])
    loop.resume(now, unexpected=unexpected)
    loop.obey(now)
    loop.write(now)
    many = "one probe" if len(probes) == 1 else f"{len(probes)} probes"
    log.info("measuring %s into %s", many, config.journal.path)
    try:
        loop.run()
        now = clock.now()
        loop.hold([Event("", now, "", MeasuringEnded())])
        loop.finish(now)
    finally:
        notify("STOPPING=1")
        loop.close()
        for probe in probes:
            probe.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process: `python -m daemon.measure --config PATH`."""
    parser = argparse.ArgumentParser(prog="python -m daemon.measure", description=__doc__)
    parser.add_argument("--config", type=Path)
    options = parser.parse_args(arguments)
    log = logs.set_up("measure")
    try:
        config = load(find_config(options.config), SECTIONS)
    except ConfigError as exc:
        for fault in exc.sentences:
            log.error("%s", fault)  # noqa: TRY400 - sentences for the keeper, not a traceback
        return exc.exit_code
    if not any(reservoir.probes for reservoir in config.reservoirs):
        log.error(
            "no reservoir has a probe; add a [[reservoir.probe]] section to the configuration"
        )
        return ExitCode.CONFIG
    try:
        weights = load_weights()
    except WeightsError as exc:
        log.error("%s", exc)  # noqa: TRY400 - a sentence for the keeper, not a traceback
        return exc.exit_code
    return measure(config, weights, log)


if __name__ == "__main__":
    sys.exit(main())
