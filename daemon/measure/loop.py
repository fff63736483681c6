"""One plain loop: wait for bytes or for the next thing due, then take what came."""

from __future__ import annotations

import math
import os
import select
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from daemon.measure.input_watch import InputWatch
from daemon.supervision import Reports, ServiceManager, SignOfLife

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.clock import Clock
    from daemon.entries import Instant, Sample
    from daemon.journal.host_watch import HostWatch
    from daemon.measure.intake import Intake
    from daemon.measure.recorder import Recorder
    from daemon.mixing.station.station import Station
    from daemon.probes.joined import Instruments

HALF_A_TICK_S = 0.0005
"""The clock counts milliseconds: who wakes a hair before one would only have to wait again."""


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
        self._manager = ServiceManager()
        self._sign_of_life = SignOfLife(self._manager.send)
        self._stopping = False
        # A signal interrupts no wait; what it writes here does.
        self._stop_bell = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)

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
        os.eventfd_write(self._stop_bell, 1)

    def turn(self) -> None:
        """Wait for the next thing, take what came and write what follows."""
        ready = self._wait()
        now = self._clock.now()
        if self._intake is not None and self._intake.fileno() in ready:
            self._intake.readable()
        for driver in self._drivers:
            samples = driver.readable(now) if driver.fileno() in ready else []
            for sample in [*samples, *driver.wake(now)]:
                self._take(sample)
        self._advance(self._joining.due(now))
        self.take_commands(now)
        self._look_at_host(now)
        self._write(now)
        self._recorder.tidy(now)
        self._sign_of_life.round()

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
        if self._intake is not None:
            self._intake.close()
        self._manager.close()
        os.close(self._stop_bell)
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
        """Return which descriptors can be read, as soon as one can or something else is due."""
        watched = [self._stop_bell, *self._descriptors()]
        wait_s = max(0.0, self._wait_s(self._clock.mono_s()))
        ready, _, _ = select.select(watched, [], [], None if wait_s == math.inf else wait_s)
        return ready

    def _descriptors(self) -> list[int]:
        bell = None if self._intake is None else self._intake.fileno()
        numbers = [bell, *(each.fileno() for each in self._drivers)]
        return [each for each in numbers if each is not None]

    def _wait_s(self, now_s: float) -> float:
        """Return how long it is from monotonic time `now_s` to what comes by no descriptor, s."""
        due_s = min((each.wake_s() for each in self._drivers), default=math.inf)
        due_s = min(due_s, self._joining.due_s())
        if self._host is not None and self._station.state.timeline.boot is not None:
            due_s = min(due_s, self._host.due_s())
        waits_s = (
            self._clock.real_s(due_s - now_s + HALF_A_TICK_S),
            self._recorder.wait_s(now_s),
            self._sign_of_life.wait_s(),
            math.inf if self._intake is None else self._intake.wait_s(now_s),
        )
        return min(waits_s)
