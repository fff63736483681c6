"""Every machine that remembers: its second episode is that of one that has seen no first.

What is meant to be kept from one to the next (noise learned, the names of batches) is left out of
what is compared, and said beside each.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from random import Random

import gsw
import pytest

from daemon.entries import Entry, Event, Flag, Instant, Kind, Sample
from daemon.journal.write_buffer import WriteBuffer
from daemon.logs import Outage
from daemon.mixing.alarm import flood, transitions
from daemon.mixing.alarm.alarm_state import UNACKNOWLEDGED_STATES, AlarmState
from daemon.mixing.probe import health
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.quality import QualityLimits, QualityState, judge
from daemon.mixing.probe.zero import ZeroState, zero_steps
from daemon.mixing.station.host import StationHealth, StationSettings, on_surroundings, started
from daemon.mixing.station.host import conditions as host_conditions
from daemon.publishing.rate_limit import RateLimit
from daemon.publishing.sink import Backoff
from tests.parts.calibrating import Corner, steps
from tests.parts.events import AT, event, facts_in
from tests.parts.notices import ACKNOWLEDGED, CLEARED, HIGH, LOW, MEDIUM, Recipient
from tests.parts.people import Bench
from tests.parts.readings import reading
from tests.parts.stories import Story, of
from tests.unit.mixing.station.test_host import surroundings

LATER_S = 100_000.0
"""From the first episode to the second; more than a day."""


@dataclass(frozen=True)
class Machine:
    """Something that remembers, and what is done to it.

    Attributes:
        name: Of it.
        make: Returns a fresh one.
        play: Plays one episode from a moment on; returns what it says.
    """

    name: str
    make: Callable[[], object]
    play: Callable[..., list[object]]


def at(t_s: float) -> Instant:
    """A moment so many seconds after the first."""
    return replace(AT, wall=AT.wall + timedelta(seconds=t_s), mono_s=t_s)


def sample(t_s: float, conductivity: float | None) -> Sample:
    """What a probe says then, at 24 °C."""
    return Sample("mix-1", "ct-1", at(t_s), conductivity, None if conductivity is None else 24.0)


def quality(state: QualityState, begin_s: float) -> list[object]:
    """Steady, a spike, air, back, stuck; without the two readings that have no past."""
    dice, level = Random(3), float(gsw.C_from_SP(33.0, 24.0, 0.0))
    course = [level * (1.0 + dice.gauss(0.0, 1e-4)) for _ in range(30)]
    course += [level * 0.7, *course[:10], *[0.004] * 20, *course[:20], *[level] * 200]
    said: list[object] = []
    for n, value in enumerate(course):
        t_s = begin_s + 10.0 * n
        salinity = float(gsw.SP_from_C(value, 24.0, 0.0))
        said.append(judge(state, sample(t_s, value), salinity, t_s, QualityLimits()).tests)
    assert {Flag.PASS, Flag.SUSPECT, Flag.FAIL} <= {f for each in said for f in flags(each)}
    return said[2:]


def flags(tests: object) -> list[Flag]:
    """The flags of one reading."""
    assert isinstance(tests, dict)
    return [*tests.values()]


def zero(state: ZeroState, begin_s: float) -> list[object]:
    """Below nothing for a moment, right, below for two minutes, right."""
    course = [-0.05] * 3 + [0.01] * 3 + [-0.05] * 12 + [0.01] * 3
    said = [zero_steps(state, sample(begin_s, value), begin_s + 10.0 * n)
            for n, value in enumerate(course)]  # fmt: skip
    assert 2 == sum(map(bool, said))
    return [*said]


def probe_health(state: ProbeState, begin_s: float) -> list[object]:
    """A moment without a value, two minutes without, good, out, back, silent, good."""
    said: list[object] = []
    for n in range(120):
        t_s = begin_s + 10.0 * n
        state.out_s = t_s if 50 <= n < 60 else None
        lost = n == 3 or 10 <= n < 22
        if 80 <= n < 90:
            said.append(health.silent(state, "ct-1", t_s))
        else:
            said.append(health.advance(state, reading(None if lost else 34.0), {}, t_s))
    assert 6 == sum(map(bool, said))
    return said


def alarms(state: AlarmState, begin_s: float) -> list[object]:
    """Raised, acknowledged, over; raised, over, acknowledged; shelved; removed; suppressed."""
    said: list[object] = []
    doings = {
        20: lambda t_s: transitions.acknowledge(state, "batch-off-target", "keeper", t_s),
        90: lambda t_s: transitions.acknowledge(state, "batch-off-target", "keeper", t_s),
        100: lambda t_s: transitions.shelve(state, "salt-low", "keeper", "sold", 300.0, t_s),
        160: lambda t_s: transitions.remove_from_service(state, "salt-low", "keeper", "sold", t_s),
        180: lambda t_s: transitions.return_to_service(state, "salt-low", "keeper", t_s),
    }
    for n in range(500):
        t_s = begin_s + 10.0 * n
        on = 10 <= n < 40 or 60 <= n < 80
        conditions = {"batch-off-target": "32.4 ppt"} if on else {}
        conditions |= {"salt-low": "0 g left"} if 95 <= n < 200 else {}
        conditions |= {"probe-fault": "no reply"} if 210 <= n < 260 else {}
        conditions |= {"reading-overdue": "old"} if 210 <= n < 280 else {}
        for change in transitions.advance(state, conditions, t_s):
            until_s = None if change.until_s is None else change.until_s - begin_s
            said.append((n, replace(change, until_s=until_s)))
        if n in doings:
            change = doings[n](t_s)
            until_s = None if change.until_s is None else change.until_s - begin_s
            said.append((n, replace(change, until_s=until_s)))
        if n == 300:
            left = [
                name for name in state.known if state.known[name].state in UNACKNOWLEDGED_STATES
            ]
            said += [transitions.acknowledge(state, name, "keeper", t_s) for name in left]
    assert {} == state.known
    assert len(said) > 15
    return said


def load(state: flood.Load, begin_s: float) -> list[object]:
    """Twelve alarms within two minutes, and then none."""
    said: list[object] = [
        flood.advance(state, 1 if n < 12 else 0, begin_s + 10.0 * n) for n in range(100)
    ]
    assert 2 == sum(map(bool, said))
    return said


def station_health(state: StationHealth, begin_s: float) -> list[object]:
    """Begun unexpectedly, entries lost, a card that fills and is emptied."""
    said: list[object] = []
    started(state, begin_s, unexpected=True)
    for n in range(130):
        t_s = begin_s + 10.0 * n
        free = 10**8 if 20 <= n < 30 else 10**10
        on_surroundings(state, surroundings(5 if n > 50 else 0, free), StationSettings(), t_s)
        said.append(host_conditions(state, at(t_s), t_s))
    assert {} == said[-1]
    assert {"measuring-restarted", "storage-low"} == {name for each in said for name in names(each)}
    return said


def names(conditions: object) -> list[str]:
    """What is wrong at one moment, by name."""
    assert isinstance(conditions, dict)
    return [*conditions]


def recipient(one: Recipient, begin_s: float) -> list[object]:
    """High and acknowledged, medium and over, low in a digest, and more than an hour may hold."""
    one.now = Recipient().now + timedelta(seconds=begin_s)
    before, begin = len(one.received), one.now
    one.change("probe-fault")
    one.wait(65)
    one.change("probe-fault", ACKNOWLEDGED)
    one.change("probe-fault", CLEARED)
    one.change("salt-low", priority=LOW)
    for n in range(30):
        one.change(f"flood-{n}", priority=HIGH if n % 3 else MEDIUM)
        one.wait(1)
    for n in range(30):
        one.change(f"flood-{n}", CLEARED)
    one.change("salt-low", CLEARED, priority=LOW)
    one.wait(30 * 60, step=10)
    said: list[object] = [
        (when - begin, summary)
        for (when, _), summary in zip(one.received[before:], one.summaries[before:], strict=True)
    ]
    assert len(said) > 10
    return said


def backoff(one: Backoff, begin_s: float) -> list[object]:
    """Seven failures, then ten good seconds."""
    one.rng.seed(5)
    said: list[object] = [one.failed(begin_s + n) for n in range(7)]
    one.worked(begin_s + 10.0)
    one.worked(begin_s + 30.0)
    return said


def buffer(one: WriteBuffer, begin_s: float) -> list[object]:
    """So much that it is thinned, and then all of it is written."""
    said: list[object] = []
    for n in range(300):
        one.add([reading(at=at(n)), reading(at=at(n), probe="ct-2")])
        if n % 50 == 0:
            one.add([event(Kind.PHASE, {"to": "ready"}, at=at(n))])
    while one:
        some: list[Entry] = one.next(at(begin_s))
        one.written(some)
        said += [facts_in(e) if isinstance(e, Event) else (e.at, e.probe) for e in some]
    assert 50 < len(said) < 600
    return said


@dataclass
class Limited:
    """A rate limit with a clock of its own, and how long it slept."""

    now_s: float = 0.0
    slept: list[float] = field(default_factory=list)
    limit: RateLimit = field(init=False)

    def __post_init__(self) -> None:
        """Five a second."""
        self.limit = RateLimit(5.0, lambda: self.now_s, self._sleep)

    def _sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.slept.append(round(seconds, 6))


def rate_limit(one: Limited, begin_s: float) -> list[object]:
    """Twenty at once, and five a second later."""
    one.now_s, before = begin_s, len(one.slept)
    for _ in range(20):
        one.limit.wait()
    one.now_s += 1.0
    for _ in range(5):
        one.limit.wait()
    assert len(one.slept) > before
    return [*one.slept[before:]]


class Lines(logging.Handler):
    """Log lines in a list."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[object] = []
        log = logging.getLogger(f"tests.outage.{id(self)}")
        log.setLevel(logging.INFO)
        log.addHandler(self)
        self.outage = Outage(log, "publishing to mqtt")

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one."""
        self.texts.append(record.getMessage())


def outage(one: Lines, begin_s: float) -> list[object]:
    """Failing for three minutes, then working."""
    before = len(one.texts)
    for n in range(18):
        one.outage.failed("no route", begin_s + 10.0 * n)
    one.outage.worked()
    assert 4 == len(one.texts) - before
    return one.texts[before:]


def batch(one: Bench, begin_s: float) -> list[object]:
    """Salt, release, use, and other water in its place; where purified water is seen stays apart.

    An empty vessel has to be filled first, one that was used stands full of it.
    """
    one.story.dice.seed(11)
    begin = one.story.wall
    one.story.still(6).dissolve(34.0, 60)
    said = one.run()
    said += one.send("batch.use")
    one.story.refilled().still(6)
    said += one.run()
    found = [
        (round((each.at.wall - begin).total_seconds() / 30.0), facts_in(each)["to"])
        for each in of(said, Kind.PHASE)
    ]
    first = next(n for n, (_, to) in enumerate(found) if to == "dissolving")
    assert ["dissolving", "verifying", "ready", "idle", "blank"] == [to for _, to in found[first:]]
    return [*found[first:]]


def calibration(one: Corner, begin_s: float) -> list[object]:
    """A check of the same probe in the same solution, to its end and back in the water."""
    one.dice.seed(5)
    one.wall += timedelta(seconds=begin_s)
    one.t_s += begin_s
    before = len(one.entries)
    record = one.calibrate("calibrate.check")
    said: list[object] = [*steps(one.entries[before:])]
    errors = [round(each.error_percent, 3) for each in getattr(record, "found", ())]
    return [*said, getattr(record, "agrees", None), errors]


MACHINES = (
    Machine("quality of a probe", QualityState, quality),
    Machine("zero of a probe", ZeroState, zero),
    Machine("health of a probe", ProbeState, probe_health),
    Machine("alarms", AlarmState, alarms),
    Machine("flood of alarms", flood.Load, load),
    Machine("health of the station", StationHealth, station_health),
    Machine("notification policy", Recipient, recipient),
    Machine("pauses after a failure", lambda: Backoff(Random(5)), backoff),
    Machine("write buffer", lambda: WriteBuffer(at_most=100), buffer),
    Machine("rate limit", Limited, rate_limit),
    Machine("log of an outage", Lines, outage),
    Machine("batch", lambda: Bench(Story(period_s=10.0)), batch),
    Machine("check of a probe", lambda: Corner(gain=1.0), calibration),
)


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.name)
def test_a_second_episode_is_that_of_a_fresh_machine(machine: Machine) -> None:
    """Whatever the first one was, nothing of it decides about the second."""
    used, fresh = machine.make(), machine.make()
    first = machine.play(used, 0.0)

    assert machine.play(fresh, LATER_S) == machine.play(used, LATER_S)
    assert first


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.name)
def test_a_third_one_too(machine: Machine) -> None:
    """What grows a little with each would show by then."""
    used, fresh = machine.make(), machine.make()
    for n in range(3):
        machine.play(used, n * LATER_S)

    assert machine.play(fresh, 3 * LATER_S) == machine.play(used, 3 * LATER_S)
