"""Each transport unplugged and put back again and again: how soon a value comes, and which.

    python -m tests.campaigns.replugs
    python -m tests.campaigns.replugs --count 100 --seed 1 "modbus, on a line" "mqtt node"

Every stage of the drivers' contract is one transport, in time that the campaign turns: its
instrument goes at a random moment, half of the times in the middle of what it says, for a random
while that may be none, and comes back under the same name.  A real broker and a real node of one
go and come in real time besides.  A value must come within two periods of the return, and must
be one that the instrument said whole.  Prints a table, and ends with 1 where one did not.

"mqtt, cable" is run only when named, as root and on its own: it lays a network cable between the
driver and the broker, pulls it at either end, and takes half a minute each time.
"""

from __future__ import annotations

import argparse
import select
import statistics
import sys
import tempfile
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random

from daemon.entries import Instant, Sample
from simulators.device_socket import DeviceSocket
from simulators.gpio import Chip, Contact
from simulators.publishing_node import NodeCharacter, NodeError, PublishingNode
from tests.campaigns.cable import FAR, Cable
from tests.conftest import LOOPBACK, Broker, find_free_port
from tests.parts import device_sockets
from tests.parts.all_stages import STAGES, ClosingStage
from tests.parts.device_bench import DeviceBench
from tests.parts.driver_run import DriverRun, running
from tests.parts.driver_stages import NOON, PERIOD_S

LIMIT_PERIODS = 2.0
STEP_S = 0.05
ANSWER_S = 0.01
"""Real seconds in which the thread of a driver that acted has its answer; nothing waits longer."""
GIVE_UP_S = 30 * PERIOD_S
UNASKED = ("line, talking", "recorded")
"""Stages whose instrument may send at any time, and does so once a period."""
NO_TRANSPORT = ("newest, of the guide",)
SETTLED_C = 24.5
QUANTITIES = ("conductivity", "temperature")
BOTH = frozenset(QUANTITIES)
SAME = 1e-3
"""mS/cm and °C: the coarsest step that a transport of these stages has."""


@dataclass
class Outages:
    """What came of the outages of one transport.

    Attributes:
        name: Of the transport.
        took: Periods from each return to the first value.
        wrong: Values that nobody said.
    """

    name: str
    took: list[float] = field(default_factory=list)
    wrong: int = 0

    @property
    def slow(self) -> int:
        """How many took longer than they may."""
        return sum(each > LIMIT_PERIODS for each in self.took)

    def row(self) -> str:
        """A line of the table."""
        took = sorted(self.took)
        figures = (statistics.median(took), took[int(0.9 * len(took))], took[-1])
        return (
            f"{self.name:<28}{len(took):>6}"
            + "".join(f"{each:>9.2f}" for each in figures)
            + f"{self.slow:>6}{self.wrong:>7}"
        )


HEADING = (
    f"{'transport':<28}{'times':>6}{'median':>9}{'90 %':>9}{'longest':>9}{'slow':>6}{'wrong':>7}"
)


class StageOutages:
    """A stage of the contract whose instrument is taken away and put back."""

    def __init__(self, name: str, stage: ClosingStage, seed: int) -> None:
        """Begin with the instrument in its place."""
        self._stage, self._rng = stage, Random(f"{name}/{seed}")
        self._unasked = name in UNASKED
        self._gives = getattr(stage, "gives", BOTH)
        self._t_s, self._number, self._said_s = 100.0, 0, -PERIOD_S
        self._rest: list[bytes] = []
        self._whole: list[tuple[float, float]] = []
        self._coming: tuple[float, float] | None = None
        self.outages = Outages(name)
        self._samples: list[Sample] = []

    def outage(self) -> None:
        """Read for a while, take the instrument away, put it back, and wait for a value."""
        self._until_value()
        self._run(self._rng.uniform(0.0, 2.0 * PERIOD_S))
        if self._rng.random() < 0.5:
            self._into_a_message()
        self._stage.unplug()
        self._rest, self._coming = [], None
        self._run(self._rng.choice([0.0, self._rng.uniform(0.0, 5.0 * PERIOD_S)]), there=False)
        self._stage.plug()
        # One that talks by itself does so at any moment of its period.
        self._said_s = self._t_s - self._rng.uniform(0.0, PERIOD_S)
        back_s = self._t_s
        self.outages.took.append((self._until_value() - back_s) / PERIOD_S)

    def _until_value(self) -> float:
        """Let time pass until a further value has come; return when, s."""
        until_s = self._t_s + GIVE_UP_S
        self._samples.clear()
        while not any(not each.fault for each in self._samples):
            if self._t_s > until_s:
                return self._t_s
            self._step(there=True)
        return self._t_s

    def _run(self, duration_s: float, *, there: bool = True) -> None:
        until_s = self._t_s + duration_s
        while self._t_s < until_s:
            self._step(there=there)

    def _into_a_message(self) -> None:
        """Go on until the instrument has said a part of something."""
        until_s = self._t_s + GIVE_UP_S
        while not self._rest and self._t_s < until_s:
            self._step(there=True, cut=True)

    def _step(self, *, there: bool, cut: bool = False) -> None:
        driver, now = self._stage.driver, self._now()
        due = driver.wake_s() <= now.mono_s
        self._take(driver.wake(now))
        due = due and driver.wake_s() > now.mono_s
        asked = self._stage.may_send(due=due) if there else False
        if asked:
            try:
                self._say(cut=cut)
            except OSError:  # the driver has still the end of a device that is gone
                self._rest, self._coming = [], None
        descriptor = driver.fileno()
        if descriptor is not None:
            wait_s = ANSWER_S if due and not asked else 0.0
            if select.select([descriptor], [], [], wait_s)[0]:
                self._take(driver.readable(now))
        self._t_s = round(self._t_s + STEP_S, 3)

    def _say(self, *, cut: bool) -> None:
        """Say the next piece, or begin a message; whole at once, or cut somewhere."""
        if not self._rest:
            if self._unasked and self._t_s - self._said_s < PERIOD_S:
                return
            self._number += 1
            self._said_s = self._t_s
            # Sixteenths of a degree are what the coarsest thermometer tells.
            self._coming = (40.0 + self._number / 1000.0, 20.0 + self._number % 160 / 16.0)
            message = self._stage.message(self._number, *self._coming)
            at = self._rng.randrange(1, len(message)) if cut else len(message)
            self._rest = [each for each in (message[:at], message[at:]) if each]
        self._stage.say(self._rest.pop(0))
        # Half of a line's end ends it.
        if not b"".join(self._rest).strip(b"\r\n") and self._coming is not None:
            self._whole.append(self._coming)

    def _take(self, samples: Sequence[Sample]) -> None:
        self._samples += samples
        said = self._whole[-3:]
        for each in samples:
            if not each.fault:
                self.outages.wrong += not any(_alike(each, pair, self._gives) for pair in said)

    def _now(self) -> Instant:
        return Instant(NOON + timedelta(seconds=self._t_s), self._t_s)


def _alike(sample: Sample, said: tuple[float, float], gives: Collection[str]) -> bool:
    """Whether a sample is what was said, as far as its instrument gives it."""
    values = (sample.conductivity_mS_cm, sample.temperature_C)
    return all(
        (got is not None and abs(got - each) < SAME) if quantity in gives else got is None
        for quantity, got, each in zip(QUANTITIES, values, said, strict=True)
    )


def of_stage(name: str, count: int, seed: int) -> Outages:
    """Return what came of so many outages of a stage of the contract."""
    with tempfile.TemporaryDirectory() as folder:
        stage = STAGES[name][1](Path(folder))
        try:
            run = StageOutages(name, stage, seed)
            for _ in range(count):
                run.outage()
        finally:
            stage.driver.close()
            stage.close()
    return run.outages


CONTACT = """
[[reservoir.probe]]
name = "ct-1"
driver = "recorded"
path = "rows.csv"
[[input]]
name = "pump-1"
driver = "gpio"
chip = "{chip}"
line = 0
"""


def of_chip(count: int, seed: int) -> Outages:
    """Return what came of a GPIO chip whose contact may change while it is gone."""
    rng, outages = Random(f"gpio/{seed}"), Outages("gpio")
    with ExitStack() as stack:
        path = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "gpiochip0"
        bench, contact = DeviceBench(), Contact()
        stack.callback(bench.close)
        chip = Chip("gpiochip0", "header", [contact], bench.clock)
        device = stack.enter_context(DeviceSocket(path, chip))
        bench.add_inputs(CONTACT.format(chip=path))
        device_sockets.hook()  # after the driver's library was loaded
        for _ in range(count):
            bench.run(rng.uniform(0.0, 2.0 * PERIOD_S))
            device.unplug()
            bench.run(rng.choice([0.0, rng.uniform(0.0, 5.0 * PERIOD_S)]))
            contact.closed = rng.choice([True, False])
            device.plug()
            back_s, pump = bench.t_s, None
            while pump is None and bench.t_s < back_s + GIVE_UP_S:
                came = [each.pump for each in bench.run(STEP_S) if not each.fault]
                pump = came[0] if came else None
            outages.took.append((bench.t_s - back_s) / PERIOD_S)
            outages.wrong += pump is not None and pump != contact.closed
    return outages


KEYS = f"""
driver = "mqtt_in"
host = "{{host}}"
port = {{port}}
period_s = {PERIOD_S}
conductivity = {{{{ topic = "fish-room/mix-1/water", value = "/conductivity" }}}}
temperature = {{{{ topic = "fish-room/mix-1/water", value = "/temperature" }}}}
availability = {{{{ topic = "fish-room/mix-1/status" }}}}
units = {{{{ conductivity = "mS/cm", temperature = "degC" }}}}
compensation = "none"
"""


@dataclass
class RealNode:
    """A real broker, a node that publishes there, and the driver that reads it.

    Attributes:
        broker: The broker.
        node: The node.
        run: The driver; its clock runs `SPEED` times as fast as the real one.
        rng: Chance.
        outages: What came so far.
    """

    broker: Broker
    node: PublishingNode
    run: DriverRun
    rng: Random
    outages: Outages
    published: float = 40.0
    due_s: float = 0.0

    def outage(self, leave: Callable[[], None], come_back: Callable[[], None]) -> None:
        """Read for a while, have one of them go and come back, and wait for a value."""
        self._until_value()
        self._pass(self.rng.uniform(0.0, 2.0))
        leave()
        self._pass(self.rng.uniform(0.0, 5.0), there=False)
        come_back()
        while True:
            try:
                self.node.connect()
                break
            except (NodeError, OSError):
                self.run.turn()
        back_s = self._now_s()
        self.due_s = back_s + self.rng.uniform(0.0, PERIOD_S)
        self.outages.took.append((self._until_value() - back_s) / PERIOD_S)

    def _until_value(self) -> float:
        before, until_s = len(self.run.values()), self._now_s() + GIVE_UP_S
        while len(self.run.values()) == before and self._now_s() < until_s:
            self._turn(there=True)
        for each in self.run.values()[before:]:
            near = each.conductivity_mS_cm is not None and (
                0.0 <= self.published - each.conductivity_mS_cm < 0.0025
            )
            self.outages.wrong += not near
        return self._now_s()

    def _pass(self, periods: float, *, there: bool = True) -> None:
        until_s = self._now_s() + periods * PERIOD_S
        while self._now_s() < until_s:
            self._turn(there=there)

    def _turn(self, *, there: bool) -> None:
        if there and self._now_s() >= self.due_s:
            self.due_s = self._now_s() + PERIOD_S
            self.published = round(self.published + 0.001, 3)
            self.node.measure(self._now_s(), self.published, SETTLED_C)
        self.run.turn()

    def _now_s(self) -> float:
        return self.run.now().mono_s


@contextmanager
def real_node(name: str, seed: int) -> Iterator[RealNode]:
    """Have a node read over a real broker."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = Broker(folder, find_free_port())
        stack.callback(broker.kill)
        broker.start()
        node = PublishingNode(LOOPBACK, broker.port, NodeCharacter(stamped=False))
        stack.callback(node.vanish)
        node.connect()
        run = stack.enter_context(running(KEYS.format(host=LOOPBACK, port=broker.port)))
        yield RealNode(broker, node, run, Random(f"{name}/{seed}"), Outages(name))


def of_broker(count: int, seed: int) -> Outages:
    """Return what came of a broker that is killed or stopped, and started again."""
    with real_node("mqtt broker", seed) as one:
        for _ in range(count):
            end = one.rng.choice([one.broker.kill, one.broker.stop])

            def leave(end: Callable[[], None] = end) -> None:
                one.node.vanish()
                end()

            one.outage(leave, one.broker.start)
        return one.outages


def of_node(count: int, seed: int) -> Outages:
    """Return what came of a node that loses its power, and has it again."""
    with real_node("mqtt node", seed) as one:
        for _ in range(count):
            one.outage(one.node.vanish, lambda: None)
        return one.outages


class NodeBehindCable(RealNode):
    """A node and a broker at the far end of a cable; the node goes on while that is pulled."""

    def cut(self, cable: Cable) -> None:
        """Read for a while, pull the cable, put it back, and wait for a value."""
        self._until_value()
        self._pass(self.rng.uniform(0.0, 2.0))
        here = self.rng.choice([True, False])
        cable.pull(here=here)
        self._pass(self.rng.uniform(0.0, LONGEST_CUT_S) / PERIOD_S)
        cable.plug(here=here)
        back_s = self._now_s()
        self.outages.took.append((self._until_value() - back_s) / PERIOD_S)


def of_cable(count: int, seed: int) -> Outages:
    """Return what came of a cable between driver and broker that is pulled, in real time."""
    name = CABLE
    with ExitStack() as stack:
        cable = stack.enter_context(Cable())
        broker = Broker(
            Path(stack.enter_context(tempfile.TemporaryDirectory())), find_free_port(), host=FAR
        )
        stack.callback(broker.kill)
        cable.at_far_end(broker.start)
        node = PublishingNode(FAR, broker.port, NodeCharacter(stamped=False))
        stack.callback(node.vanish)
        cable.at_far_end(node.connect)
        keys = KEYS.format(host=FAR, port=broker.port)
        run = stack.enter_context(running(keys, speed=1.0))
        one = NodeBehindCable(broker, node, run, Random(f"{name}/{seed}"), Outages(name))
        for _ in range(count):
            one.cut(cable)
        return one.outages


CABLE = "mqtt, cable"
LONGEST_CUT_S = 20.0
"""Beyond this nothing new happens: the connection is given up after ten seconds at most."""
REAL: dict[str, Callable[[int, int], Outages]] = {"mqtt broker": of_broker, "mqtt node": of_node}
NAMES = (*(name for name in STAGES if name not in NO_TRANSPORT), "gpio", *REAL)
"""Of all transports."""


def replug(name: str, count: int, seed: int) -> Outages:
    """Return what came of so many outages of one transport."""
    apart = {CABLE: of_cable, "gpio": of_chip}
    if name in apart:
        return apart[name](count, seed)
    return REAL[name](count, seed) if name in REAL else of_stage(name, count, seed)


def main() -> None:
    """Run the campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.replugs")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("names", nargs="*", help=f"of {', '.join(NAMES)}; all, unless given")
    wanted = parser.parse_args()
    failed = False
    sys.stdout.write(f"periods from the return to a value\n{HEADING}\n")
    for name in wanted.names or NAMES:
        outages = replug(name, wanted.count, wanted.seed)
        failed = failed or bool(outages.slow or outages.wrong)
        sys.stdout.write(f"{outages.row()}\n")
        sys.stdout.flush()
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
