"""A whole batch over a driver's real transport, in time that the test owns.

A scenario of the simulators is played in lock step with drivers that a configuration makes, and
what they give goes into a real `Station`, until the batch is ready.  Two hours take seconds, and
no simulated moment depends on how busy the machine is.  How it is used::

    stage = Stage.setting(plain_batch(), seed=1)
    device = OnTerminal(stage, tmp_path / "port", StageSpeaker(stage))
    with DriverBatch(configuration(SECTION), [device]) as batch:
        batch.until_ready()

    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.3)

`DriverBatch` takes the text of a configuration and one device for each driver that
`assembly.probes` makes of it, in that order, inputs first; a device that serves several drivers,
as a bus does, stands there once for each.  Devices beyond those belong to no driver, but time
passes for them.
`run` lets so many simulated seconds pass, so that a test may unplug something in between.

A device is the simulated instrument with its transport.  At each simulated moment its `advance`
is called first; then every driver that is due is woken; then time stands still while drivers and
devices read what came for them.  The descriptors of both are selected for real.  Which of the
four kinds a device is decides how long the test waits before the next moment:

- it is asked, over a descriptor of its own (a pseudo-terminal, a socket): name that in
  `descriptors`, answer in `serve`, and call `owe` once for each answer that is written.  A driver
  that acted may have sent a request, which is waited for `request_s` real seconds.
  `OnTerminal` is one for any `Speaker` of the simulators;
- it sends without a request: say in `next_s` when, write in `advance`, and `owe`;
- it is passive, and the driver's own thread reads it (`sysfs`, `i2c`): derive it from `Passive`.
  Each driver that acts owes something at its descriptor; set `hung` where a read does not end;
- it publishes through a server of its own: `owe` for each message, as one that talks.

What is owed must arrive: the test fails where nothing comes within `PATIENCE_S` real seconds.  So
do not `owe` for what a driver takes for nothing, such as a frame that is cut in two.
"""

from __future__ import annotations

import os
import select
import time
import tty
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

from daemon import assembly
from daemon.config import parse
from daemon.entries import Entry, Event, Instant, Kind, Phase, Reading, Sample
from daemon.mixing.station.station import Station
from daemon.probes.driver import Driver
from daemon.probes.registry import SECTIONS
from simulators.instrument import Spoken
from simulators.lines import Speaker
from simulators.stage import Stage
from tests.parts.events import facts_in
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
LONGEST_STEP_S = 0.5
"""Simulated seconds between two looks, where nothing is due sooner."""
SHORTEST_STEP_S = 0.01
"""Simulated seconds, where a driver that was woken still says that it is due."""
PATIENCE_S = 20.0
"""Real seconds in which what is owed arrives on the busiest machine."""
REQUEST_S = 0.02
REST_S = 0.001
"""Real seconds in which the rest follows of what a driver could not use yet."""
ROUNDS = 1000


class Device:
    """A simulated instrument and its transport; time passes only as the test says.

    Attributes:
        stage: The story whose water it is in.
        owed: What it has handed over that no driver has taken yet.
        request_s: Real seconds in which a request arrives from a driver that acted.
    """

    request_s = 0.0

    def __init__(self, stage: Stage) -> None:
        """Stand in the water of a stage."""
        self.stage = stage
        self.owed = 0

    def advance(self, t_s: float) -> None:
        """Let simulated time pass until `t_s`, and hand what the water is like to `show`."""
        self.stage.advance(max(t_s, self.stage.t_s))
        self.show(t_s, self.stage.speak())

    def show(self, t_s: float, spoken: Spoken) -> None:
        """Measure this from now on; nothing to do for one that asks its stage when it speaks.

        Args:
            t_s: Simulated seconds.
            spoken: Its values are None where the instrument says nothing or nothing of use.
        """

    def next_s(self) -> float | None:
        """Return when it has something to do, simulated s; None for never."""
        return None

    def descriptors(self) -> Sequence[int]:
        """Return what to watch for requests."""
        return ()

    def serve(self, t_s: float) -> None:
        """Take what came at its descriptors, and answer."""

    def owe(self) -> None:
        """Note that something is on its way to a driver."""
        self.owed += 1

    def acted(self) -> None:
        """Note that a driver of it did what was due."""

    def taken(self) -> None:
        """Note that a driver of it took something."""
        self.owed = max(0, self.owed - 1)

    def close(self) -> None:
        """Take all away."""


class Passive(Device):
    """A device that a thread of the driver reads, without a transport of its own.

    Attributes:
        hung: Whether a read of it does not end, so that nothing is waited for.
    """

    hung = False

    def acted(self) -> None:
        """Expect what the driver's thread brings."""
        if not self.hung:
            self.owe()


class OnTerminal(Device):
    """A speaker of the simulators at the end of a pseudo-terminal."""

    request_s = REQUEST_S

    def __init__(self, stage: Stage, link: Path, speaker: Speaker) -> None:
        """Wire it; the link is the name of its port."""
        super().__init__(stage)
        self.link, self.speaker = link, speaker
        self.master: int | None = None
        self._follow_cable()

    def advance(self, t_s: float) -> None:
        """Let time pass, and say what falls due."""
        said = self.speaker.advance(t_s)
        self._follow_cable()
        self.say(said)

    def next_s(self) -> float | None:
        """Return when it sends something without a request."""
        return self.speaker.next_s()

    def descriptors(self) -> Sequence[int]:
        """Return its end of the pseudo-terminal, while a driver has the other one open."""
        if self.master is None or not self._has_reader(self.master):
            return ()
        return (self.master,)

    def serve(self, t_s: float) -> None:
        """Answer what was asked."""
        if self.master is not None:
            self.say(self.speaker.respond(os.read(self.master, 512), t_s))

    def say(self, words: bytes) -> None:
        """Write; what is said while no driver has the port open is lost."""
        for master in self.descriptors() if words else ():
            os.write(master, words)
            self.owe()

    def plug(self) -> None:
        """Give it a new device under the old name."""
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.link.symlink_to(os.ttyname(slave))
        # Only while no end of ours is open does the other one show whether a driver is there.
        os.close(slave)

    def unplug(self) -> None:
        """Take the device away."""
        if self.master is not None:
            self.link.unlink()
            os.close(self.master)
        self.master, self.owed = None, 0

    def close(self) -> None:
        """Take all away."""
        self.unplug()

    @staticmethod
    def _has_reader(master: int) -> bool:
        poller = select.poll()
        poller.register(master, 0)
        return not poller.poll(0)

    def _follow_cable(self) -> None:
        if self.speaker.plugged and self.master is None:
            self.plug()
        elif not self.speaker.plugged:
            self.unplug()


class DriverBatch:
    """Drivers, their devices and a station, with a clock that the test turns.

    Attributes:
        t_s: Simulated seconds since the start.
        drivers: As `assembly.probes` makes them.
        samples: What they gave, joined as the configuration says.
        entries: What the station wrote.
    """

    def __init__(self, text: str, devices: Sequence[Device]) -> None:
        """Assemble what a configuration says; nothing is opened yet."""
        config = parse(text, Path("brinewright.toml"), SECTIONS)
        self.drivers: list[Driver] = assembly.probes(config)
        self._joining = assembly.joining(config)
        assert len(self.drivers) <= len(devices), "each driver needs a device"
        self._devices = list(devices)
        self._all = list(dict.fromkeys(devices))
        self._names = [reservoir.name for reservoir in config.reservoirs]
        settings = assembly.reservoirs(config)
        self.station = Station(settings, weights(), own=assembly.station(config))
        self.t_s = 0.0
        self.samples: list[Sample] = []
        self.entries: list[Entry] = []
        self._grace_s = 0.0

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _exc: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Close all drivers and devices."""
        for driver in self.drivers:
            driver.close()
        for device in self._all:
            device.close()

    def until_ready(self, within_s: float = 7200.0) -> None:
        """Let time pass until the batch of every reservoir is ready.

        Raises:
            AssertionError: It is not, within so many simulated seconds.
        """
        until_s = self.t_s + within_s
        while not all(self.phases(name)[-1:] == [Phase.READY] for name in self._names):
            assert self.t_s < until_s, f"not ready: {self.phases()}, {self.faults()[-3:]}"
            self.turn()

    def run(self, duration_s: float) -> None:
        """Let so many simulated seconds pass."""
        until_s = self.t_s + duration_s
        while self.t_s < until_s:
            self.turn(until_s)

    def turn(self, latest_s: float = float("inf")) -> None:
        """Do all that is due at this moment, and go on to the next one."""
        for device in self._all:
            device.advance(self.t_s)
        self._wake()
        self._settle()
        self._advance(self._joining.due(self.now()))
        self.t_s = min(self._next_s(), latest_s)

    def now(self) -> Instant:
        """The moment."""
        # A machine has been up for a while when the service starts.
        return Instant(START + timedelta(seconds=self.t_s), 1000.0 + self.t_s, "boot-1")

    def readings(self, reservoir: str = "mix-1") -> list[Reading]:
        """The readings of one reservoir."""
        return [e for e in self.entries if isinstance(e, Reading) and e.reservoir == reservoir]

    def phases(self, reservoir: str = "mix-1") -> list[str]:
        """The phases that one reservoir entered, in order."""
        events = [e for e in self.entries if isinstance(e, Event) and e.reservoir == reservoir]
        return [str(facts_in(e)["to"]) for e in events if e.kind is Kind.PHASE]

    def released(self, reservoir: str = "mix-1") -> float:
        """The practical salinity of the newest reading that has one."""
        return next(
            r.salinity for r in reversed(self.readings(reservoir)) if r.salinity is not None
        )

    def faults(self) -> list[tuple[float, str]]:
        """When a fault came, simulated s, and which."""
        return [(each.at.mono_s - 1000.0, each.fault) for each in self.samples if each.fault]

    def _wake(self) -> None:
        now = self.now()
        for driver, device in zip(self.drivers, self._devices, strict=False):
            due = driver.wake_s() <= now.mono_s
            samples = driver.wake(now)
            if samples:
                self._take(samples)
            elif due and driver.wake_s() > now.mono_s:
                device.acted()
                request_s = device.request_s if device.descriptors() else 0.0
                self._grace_s = max(self._grace_s, request_s)

    def _settle(self) -> None:
        """Let drivers and devices read what comes for them, until nothing is on its way."""
        for _ in range(ROUNDS):
            owed = any(device.owed for device in self._all)
            wait_s = PATIENCE_S if owed else self._grace_s
            began_s = time.monotonic()
            ready = select.select(self._descriptors(), [], [], wait_s)[0]
            if ready:
                self._serve(ready)
                self._read(ready)
                self._wake()
                continue
            waited_s = time.monotonic() - began_s
            assert not owed, f"nothing came for {waited_s:.0f} s at {self.t_s} s: {self._devices}"
            self._grace_s = 0.0
            return
        raise AssertionError(f"something stays readable and is not taken at {self.t_s} s")

    def _descriptors(self) -> list[int]:
        found = [number for device in self._all for number in device.descriptors()]
        numbers = [driver.fileno() for driver in self.drivers]
        return list({*found, *(each for each in numbers if each is not None)})

    def _serve(self, ready: Sequence[int]) -> None:
        for device in self._all:
            if set(ready) & set(device.descriptors()):
                device.serve(self.t_s)

    def _read(self, ready: Sequence[int]) -> None:
        self._grace_s = 0.0
        for driver, device in zip(self.drivers, self._devices, strict=False):
            if driver.fileno() in ready:
                samples = driver.readable(self.now())
                device.taken()
                self._take(samples)
                self._grace_s = self._grace_s if samples else REST_S

    def _take(self, samples: Sequence[Sample]) -> None:
        self._advance([whole for each in samples for whole in self._joining.take(each)])

    def _advance(self, samples: Sequence[Sample]) -> None:
        self.samples += samples
        for sample in samples:
            self.entries += self.station.advance(sample)

    def _next_s(self) -> float:
        now_s = self.now().mono_s
        due = [driver.wake_s() - now_s for driver in self.drivers]
        own = [device.next_s() for device in self._all]
        due += [at_s - self.t_s for at_s in own if at_s is not None]
        soonest_s = min([LONGEST_STEP_S, *due])
        return self.t_s + max(soonest_s, SHORTEST_STEP_S if soonest_s <= 0.0 else 0.0)
