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
import sys
import tempfile
from collections.abc import Callable, Collection, Sequence
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from random import Random

from daemon.entries import Instant, Sample
from simulators.device_socket import DeviceSocket
from simulators.gpio import Chip, Contact
from tests.campaigns.replugs_mqtt import CABLE, of_broker, of_cable, of_node
from tests.campaigns.replugs_outages import GIVE_UP_S, HEADING, Outages
from tests.parts import device_sockets
from tests.parts.all_stages import STAGES, ClosingStage
from tests.parts.device_bench import PUMP_CONTACT, DeviceBench
from tests.parts.driver_stages import NOON, PERIOD_S

STEP_S = 0.05
ANSWER_S = 0.01
"""Real seconds in which the thread of a driver that acted has its answer; nothing waits longer."""
UNASKED = ("line, talking", "recorded")
"""Stages whose instrument may send at any time, and does so once a period."""
NO_TRANSPORT = ("newest, of the guide",)
QUANTITIES = ("conductivity", "temperature")
BOTH = frozenset(QUANTITIES)
SAME = 1e-3
"""mS/cm and °C: the coarsest step that a transport of these stages has."""


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
        # One that sends without a request does so at any moment of its period.
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
            # Quarters of a degree are whole steps of each thermometer here.
            self._coming = (40.0 + self._number / 1000.0, 20.0 + self._number % 40 / 4.0)
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


def of_chip(count: int, seed: int) -> Outages:
    """Return what came of a GPIO chip whose contact may change while it is gone."""
    rng, outages = Random(f"gpio/{seed}"), Outages("gpio")
    with ExitStack() as stack:
        path = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "gpiochip0"
        bench, contact = DeviceBench(), Contact()
        stack.callback(bench.close)
        chip = Chip("gpiochip0", "header", [contact], bench.clock)
        device = stack.enter_context(DeviceSocket(path, chip))
        bench.add_inputs(PUMP_CONTACT.format(chip=path, line=0))
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
