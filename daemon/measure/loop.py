"""One plain loop: wait for bytes or for the next thing due, then take what came."""

from __future__ import annotations

import select
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from daemon.measure.input_watch import InputWatch
from daemon.supervision import Reports, notify

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.clock import Clock
    from daemon.entries import Instant, Sample
    from daemon.journal.host_watch import HostWatch
    from daemon.measure.intake import Intake
    from daemon.measure.recorder import Recorder
    from daemon.mixing.station.station import Station
    from daemon.probes.joined import Instruments

LONGEST_WAIT_S = 0.5


class Loop:
    """Feeds the station from its probes, its inbox and its host, and has the rest recorded."""

    def __init__(
        self,
        station: Station,
        instruments: Instruments,
        clock: Clock,
        recorder: Recorder,
        reports: Reports,
        intake: Intake | None = None,
        host: HostWatch | None = None,
    ) -> None:
        """Take everything ready-made; without intake or host, nobody looks there."""
        self._station = station
        self._drivers = instruments.drivers
        self._joining = instruments.joining
        self._clock = clock
        self._recorder = recorder
        self._reports = reports
        self._intake = intake
        self._host = host
        self._inputs = InputWatch(reports)
        self._stopping = False

    def begin(self, now: Instant, first: Sequence[Event], *, unexpected: bool) -> None:
        """Record that measuring begins, and what did not survive the process before this one.

        Args:
            now: When it begins.
            first: What is to be recorded of that before anything else.
            unexpected: Whether that process ended without an order to.
        """
        self._recorder.add(first)
        self._recorder.take(self._station.resume(now, unexpected=unexpected))
        self.take_commands(now)
        self._write(now)

    def run(self) -> None:
        """Measure until `stop` is called."""
        while not self._stopping:
            self.turn()

    def stop(self) -> None:
        """Have `run` return after the turn that it is in; may be called by a signal."""
        self._stopping = True

    def turn(self) -> None:
        """Wait for the next thing, take what came and write what follows."""
        ready = self._wait()
        now = self._clock.now()
        for driver in self._drivers:
            samples = driver.readable(now) if driver.fileno() in ready else []
            for sample in [*samples, *driver.wake(now)]:
                self._take(sample)
        self._advance(self._joining.due(now))
        self.take_commands(now)
        self._look_at_host(now)
        self._write(now)
        self._recorder.tidy(now)
        notify("WATCHDOG=1")

    def take_commands(self, now: Instant) -> None:
        """Carry out the commands that wait."""
        if self._intake is not None:
            self._intake.take(now)

    def finish(self, now: Instant, *last: Event) -> None:
        """Write all that waits, and these events after it, as far as that is possible."""
        self._recorder.add(last)
        left = self._recorder.waiting + 1
        while 0 < self._recorder.waiting < left:
            left = self._recorder.waiting
            self._write(now, at_once=True)

    def close(self) -> None:
        """Let go of the journal and of every instrument."""
        self._recorder.close()
        for driver in self._drivers:
            driver.close()

    def _take(self, sample: Sample) -> None:
        if not sample.reservoir:
            self._recorder.take(self._inputs.take(sample))
        self._advance(self._joining.take(sample))

    def _advance(self, samples: Sequence[Sample]) -> None:
        for sample in samples:
            self._reports.reported(f"{sample.reservoir}/{sample.probe}", sample.fault)
            self._recorder.take(self._station.advance(sample))

    def _look_at_host(self, now: Instant, *, at_once: bool = False) -> None:
        """Let the station know what it runs on, about once a minute."""
        # The first sample begins the station's time, in a replay as here.
        if self._host is None or self._station.state.timeline.boot is None:
            return
        found = self._host.look(now, self._recorder.lost, at_once=at_once)
        if found is not None:
            self._recorder.take(self._station.advance(found))

    def _write(self, now: Instant, *, at_once: bool = False) -> None:
        failed_before = self._recorder.failing
        written = self._recorder.write(now, at_once=at_once)
        if self._recorder.failing and not failed_before:
            self._look_at_host(now, at_once=True)
        commands = any(isinstance(each, Event) and each.kind is Kind.COMMAND for each in written)
        if commands and self._intake is not None:
            self._intake.acknowledge(now)

    def _wait(self) -> list[int]:
        now_s = self._clock.now().mono_s
        due_s = min((each.wake_s() for each in self._drivers), default=now_s + LONGEST_WAIT_S)
        longest_s = 0.0 if self._intake is not None and self._intake.more else LONGEST_WAIT_S
        wait_s = min(self._clock.real_s(max(0.0, due_s - now_s)), longest_s)
        descriptors = [number for each in self._drivers if (number := each.fileno()) is not None]
        ready, _, _ = select.select(descriptors, [], [], wait_s)
        return ready
