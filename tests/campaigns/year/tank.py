"""One reservoir for a year: its water, its station, its journal, and what happens in a week."""

from __future__ import annotations

import logging
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from daemon.entries import JSON, Command, Event, Input, Instant, Kind, Phase, Sample
from daemon.journal.station_restore import restore_station
from daemon.mixing.batch import lots
from daemon.mixing.seawater import dosing
from simulators.scenarios import plain_batch
from simulators.stage import Stage
from simulators.vessel import SaltMix
from tests.campaigns.fortnight_stories import FILL_L, LOT, SETTINGS, TRUE_YIELD, WORTH
from tests.campaigns.rooms import PERIOD_S, PROBE, QUIET_PERIOD_S, RESERVOIR, Room, sample_of
from tests.campaigns.year.keeping import Keeping
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, WATER_C
from tests.parts.events import facts_in
from tests.parts.weights import weights

LOG = logging.getLogger("brinewright.year")
DAY_S, WEEK_DAYS = 86_400.0, 7.0
MONTH_WEEKS = 4
BEFALLS, FORGOTTEN, USED = 1.2 / WEEK_DAYS, 3.0 / WEEK_DAYS, 3.5 / WEEK_DAYS
"""When in a week something befalls it, and when its batch is used, as shares of it."""
BOTTLE_S = 360.0
CORRECTIONS = 3
WEEKS = ("plain", "silent", "power-cut", "forgotten", "lid-off", "plain", "salt-forgotten")
"""What befalls a week, in turn and shifted by chance."""


@dataclass
class Tank(Room):
    """A room whose entries go into a journal and are not remembered.

    Attributes:
        began: Wall clock at the first moment.
        dice: Of all that is left to chance.
        boot: Run of the machine.
        happened: Events by kind.
        alarms_raised: Alarms by name.
    """

    began: datetime = datetime(2026, 3, 2)  # noqa: DTZ001 - replaced by the caller's
    dice: random.Random = field(default_factory=random.Random)
    boot: int = 1
    happened: dict[str, int] = field(default_factory=dict)
    alarms_raised: dict[str, int] = field(default_factory=dict)
    keeping: Keeping | None = None

    def now(self) -> Instant:
        """The present moment."""
        t_s = self.stage.t_s
        return Instant(self.began + timedelta(seconds=t_s), 1000.0 + t_s, f"boot-{self.boot}")

    def _sample(self, after_s: float) -> None:
        self.stage.advance(self.stage.t_s + after_s)
        self._give(sample_of(PROBE, self.now(), self.stage.speak()))

    def _give(self, item: Input) -> list[Event]:
        entries = self.station.advance(item)
        assert self.keeping is not None
        self.keeping.take(entries, self.station, item.at)
        said = [entry for entry in entries if isinstance(entry, Event)]
        for event in said:
            self._count(event)
        return said

    def _count(self, event: Event) -> None:
        self.happened[event.kind] = self.happened.get(event.kind, 0) + 1
        facts = facts_in(event)
        if event.kind is Kind.ALARM and facts["what"] == "raised":
            name = str(facts["name"])
            self.alarms_raised[name] = self.alarms_raised.get(name, 0) + 1
        if event.kind is Kind.PHASE and facts["to"] == Phase.READY:
            self.happened["released"] = self.happened.get("released", 0) + 1

    def tell(self, verb: str, /, **facts: JSON) -> bool:
        """Command the station; return whether it was carried out."""
        number = 1 + self.station.state.commands_taken
        reservoir = "" if verb.startswith("lot.") else RESERVOIR
        command = Command(
            f"c-{number}", self.now(), "keeper", "cli", verb, reservoir, facts, number
        )
        return bool(facts_in(self._give(command)[0])["ok"])

    def resume(self, *, unexpected: bool) -> None:
        """Go on from what the journal holds, as a process does that starts."""
        assert self.keeping is not None
        settings = {RESERVOIR: self.reservoir_settings()}
        self.station = restore_station(self.keeping.path, settings, weights(), LOG)
        entries = self.station.resume(self.now(), unexpected=unexpected)
        self.keeping.take(entries, self.station, self.now())

    # --- what happens --------------------------------------------------------------------------

    def make_batch(self) -> None:
        """Empty, fill, salt as planned, and do what is advised until it is released."""
        self.draw_down_to(0.0)
        self.wait(300.0)
        self.fill(FILL_L)
        self.wait(600.0)
        mix = lots.estimate(self.station.state.lots[LOT], self.stage.t_s)
        grams = round(dosing.plan(FILL_L, SETTINGS.target_ppt, mix.value, 24.0).salt_g)
        self.tell("batch.start", mass_g=grams, volume_l=FILL_L, lot=LOT)
        self.pour(grams * (1.0 + self.dice.gauss(0.0, 0.003)))
        self.settle()
        for _ in range(CORRECTIONS):
            if self.phase is Phase.READY or not self.put_right():
                break

    def silence(self, hours: float) -> None:
        """No reply comes for some hours."""
        self.act("trouble", dropout_chance=1.0)
        self.wait(hours * 3600.0, PERIOD_S)
        self.act("trouble", dropout_chance=0.001)

    def power_cut(self, hours: float) -> None:
        """The machine is without power for some hours."""
        assert self.keeping is not None
        self.keeping.close(self.station, self.now())
        self.stage.advance(self.stage.t_s + hours * 3600.0)
        self.boot += 1
        self.keeping.open()
        self.resume(unexpected=True)

    def calibrate(self) -> None:
        """Calibrate in one solution, and put the probe back."""
        if not self.tell("calibrate.start", probe=PROBE, references=SOLUTION):
            return
        for step in ("rinse", "immerse", "stir"):
            self.tell("calibrate.confirm", probe=PROBE, step=step)
        gain = self.stage.scenario.character.gain
        for _ in range(int(BOTTLE_S / PERIOD_S)):
            self.stage.advance(self.stage.t_s + PERIOD_S)
            shown = SOLUTION_MS_CM * gain * (1.0 + self.dice.gauss(0.0, 1.5e-4))
            warmth = round(WATER_C + self.dice.gauss(0.0, 0.006), 2)
            self._give(Sample(RESERVOIR, PROBE, self.now(), round(shown, 3), warmth))
        self.tell("calibrate.next", probe=PROBE)
        self.tell("calibrate.confirm", probe=PROBE, step="verdict")
        self.tell("calibrate.confirm", probe=PROBE, step="return")

    def until_day(self, day: float) -> None:
        """Let quiet time pass."""
        self.wait(day * DAY_S - self.stage.t_s, QUIET_PERIOD_S)


def week(tank: Tank, number: int, days: float = WEEK_DAYS) -> None:
    """Let one week pass: a batch, what befalls it, and each month a calibration.

    Args:
        tank: Where.
        number: Of the week, counted from the first moment of the tank.
        days: That it has; fewer for a slice of the year.
    """
    first = days * number
    befalls = WEEKS[(number + tank.dice.randrange(2)) % len(WEEKS)]
    if befalls == "salt-forgotten":
        tank.draw_down_to(0.0)
        tank.fill(FILL_L)
        tank.tell("batch.start", mass_g=7000.0, volume_l=FILL_L, lot=LOT)
        tank.until_day(first + 0.5)
        tank.tell("batch.discard", why="the salt still stands beside the vessel")
    tank.make_batch()
    after: dict[str, Callable[[], None]] = {
        "silent": lambda: tank.silence(tank.dice.uniform(0.2, 5.0)),
        "power-cut": lambda: tank.power_cut(tank.dice.uniform(0.1, 10.0)),
        "lid-off": lambda: tank.lid(550.0),
        "forgotten": lambda: tank.until_day(first + FORGOTTEN * days),
    }
    tank.until_day(first + BEFALLS * days)
    after.get(befalls, lambda: None)()
    tank.until_day(first + USED * days)
    tank.lid(20.0)
    if tank.phase is Phase.READY:
        tank.tell("batch.use")
    elif tank.phase is not Phase.IDLE:
        tank.tell("batch.discard", why="too old or not right")
    if number % MONTH_WEEKS == MONTH_WEEKS - 1:
        tank.calibrate()
    tank.until_day(first + days)


def a_tank(keeping: Keeping, began: datetime, seed: int, *, boot: int = 1) -> Tank:
    """Return a tank at its first moment, whose station goes on from what the journal holds."""
    usual = plain_batch()
    dice = random.Random(f"year/{seed}")
    character = replace(usual.character, gain=1.0 + dice.gauss(0.0, 0.003))
    story = replace(
        usual, actions=(), mix=SaltMix(salt_yield=TRUE_YIELD), character=character, name="year"
    )
    tank = Tank(Stage.setting(story, seed), SETTINGS, WORTH, began=began, dice=dice, boot=boot)
    tank.keeping = keeping
    tank.resume(unexpected=False)
    tank.act("trouble", bubbles_per_h=1.0, dropout_chance=0.001)
    tank.wait(60.0)
    if LOT not in tank.station.state.lots:
        tank.tell("lot.add", name=LOT, bought_g=600_000.0)
    return tank
