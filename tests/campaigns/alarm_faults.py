"""Faults that a mixing corner can have, each with the alarm that must come of it and how soon."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta

from calibration.record import Record
from daemon.entries import Follower, Instant, Phase, Surroundings
from daemon.mixing.batch.due_times import DueBatch
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings
from simulators.instrument import Instrument
from tests.campaigns.rooms import PERIOD_S, RESERVOIR, START, Room, sample_of
from tests.parts.calibrating import Corner as Bottles
from tests.parts.snapshots import snapshot_in

SECOND = "ct-2"
LOOK_S = 60.0
FILL_L = 180.0
MIXED_WITHIN_S = 2.5 * 3600.0
"""A verdict comes within so long after the salt, s."""
DRIFT_PPT, LEAKY_LID_G_H = 0.15, 600.0
BAND_C = (22.0, 26.0)
LITTLE_G, PLENTY_G = 2_000.0, 60_000.0
HOUR_S = 3600.0


@dataclass
class Corner(Room):
    """A room that also looks around, may have a second probe, and may want batches.

    Attributes:
        calibrated: What the journal holds of calibrations, oldest first.
        second: Another probe in the same water; None for none.
        due: Batches that are wanted.
        free_bytes: Left on the card.
        followers: Publishers, and how far they are behind.
        synced: Whether something sets the clock.
        hangs: Whether the driver gives nothing any more, not even faults.
        grams: What a right dose is.
    """

    calibrated: tuple[Record, ...] = ()
    second: Instrument | None = None
    due: tuple[DueBatch, ...] = ()
    free_bytes: int = 20_000_000_000
    followers: tuple[Follower, ...] = ()
    synced: bool = True
    hangs: bool = False
    grams: float = 0.0
    _looked_s: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        """Start the station with the calibrations that are on record."""
        super().__post_init__()
        for record in self.calibrated:
            self.station.calibrated(record)

    def reservoir_settings(self) -> ReservoirSettings:
        """What the station is told: the second probe and what is wanted as well."""
        told = super().reservoir_settings()
        probes = dict(told.probes)
        if self.second is not None:
            probes[SECOND] = ProbeUncertainty()
        return replace(told, probes=probes, due=self.due)

    def age_h(self) -> float:
        """How old the batch is by what the station says, h; 0 for one that is not released."""
        value = snapshot_in(self.station, RESERVOIR, self.now())["age_h"]
        return float(value) if isinstance(value, float) else 0.0

    def now(self) -> Instant:
        """The present moment, by a clock that may not be set by anyone."""
        return replace(super().now(), synced=self.synced)

    def _sample(self, after_s: float) -> None:
        if self.hangs:
            self.stage.advance(self.stage.t_s + after_s)
        else:
            super()._sample(after_s)
        if self.second is not None:
            water = self.stage.reservoir
            self.second.follow(after_s, water.conductivity_at_probe(), water.temperature_C)
            self._give(sample_of(SECOND, self.now(), self.second.speak(self.stage.t_s)))
        if self.stage.t_s - self._looked_s >= LOOK_S:
            self._looked_s = self.stage.t_s
            self._give(Surroundings(self.now(), self.free_bytes, 0, self.followers))


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: What goes wrong.
        alarm: What must be raised first.
        within_s: How soon after the fault, s.
        happen: Brings the room to where it can go wrong and lets it; returns with the fault there.
        needs: What the room must have, as arguments of `Corner`.
    """

    name: str
    alarm: str
    within_s: float
    happen: Callable[[Corner], None]
    needs: Callable[[int], dict[str, object]] = lambda _: {}


def released(room: Corner, factor: float = 1.0) -> None:
    """Mix a batch and have it released."""
    plan_batch(room)
    room.pour(room.grams * factor)
    room.settle()
    for _ in range(2):
        if room.phase is not Phase.READY:
            room.put_right()


def plan_batch(room: Corner) -> None:
    """Let purified water be seen, and say what will be poured."""
    room.wait(600.0)
    room.say("lot.add", name="tub-7", number="Q-7", bought_g=PLENTY_G)
    room.say("batch.start", mass_g=round(room.grams), volume_l=FILL_L, lot="tub-7")


def trouble(**what: float) -> Callable[[Corner], None]:
    """The probe goes wrong in this way while a batch waits to be used."""

    def happen(room: Corner) -> None:
        released(room)
        room.wait(HOUR_S)
        room.act("trouble", **what)

    return happen


def cable_pulled(room: Corner) -> None:
    """A person trips over it."""
    released(room)
    room.wait(HOUR_S)
    room.act("plug", **{"in": 0.0})


def driver_hangs(room: Corner) -> None:
    """The probe's driver gives no samples any more, and no faults either."""
    released(room)
    room.wait(HOUR_S)
    room.hangs = True


def worn_cell(room: Corner) -> None:
    """A person calibrates a probe whose cell is worn by a fifth."""
    released(room)
    room.station.calibrated(Bottles(gain=0.8, wall=room.now().wall).calibrate())


def days_are_over(room: Corner) -> None:
    """Nobody calibrates a probe in the ninety days after the last time; their end is the fault."""
    released(room)
    soon = timedelta(seconds=PERIOD_S)
    room.until(lambda: (room.now().wall + soon).date() > START.date(), 24 * HOUR_S)


def impure_fill(room: Corner) -> None:
    """The purifier is spent; the fault is there as the water begins to run in."""
    room.draw_down_to(0.0)
    room.act("fill", litres=FILL_L, impurity_uS_cm=60.0, over_s=450.0)


def never_poured(room: Corner) -> None:
    """Salt is told and stays beside the vessel."""
    plan_batch(room)


def pump_off(room: Corner) -> None:
    """The pump stops with the salt on the bottom."""
    plan_batch(room)
    room.act("pump", on=0.0)
    room.pour(room.grams)


def too_much(room: Corner) -> None:
    """Eight parts in a hundred more than was planned, and told as it is."""
    room.grams *= 1.08
    plan_batch(room)
    room.pour(room.grams)


def weighed_short(room: Corner) -> None:
    """An eighth of what was told stays in the bag."""
    plan_batch(room)
    room.pour(room.grams * 0.88)


def not_used(room: Corner) -> None:
    """Released, and nobody comes; the fault is there when its warning is due."""
    released(room)
    warned_h = room.settings.use_within_h - room.settings.warn_before_h
    room.until(lambda: room.age_h() >= warned_h, 2 * warned_h * HOUR_S)


def lid_off(room: Corner) -> None:
    """Water goes into the air; the fault is there once salinity has moved."""
    released(room)
    was, water = room.releases[-1].true, room.stage.reservoir
    room.lid(LEAKY_LID_G_H)
    room.until(lambda: water.true_salinity() - was >= DRIFT_PPT, 10 * HOUR_S)


def heater_stuck(room: Corner) -> None:
    """The water warms; the fault is there once it is out of its band."""
    released(room)
    water = room.stage.reservoir
    water.vessel = replace(water.vessel, room_C=34.0)
    room.until(lambda: water.temperature_C > BAND_C[1], 12 * HOUR_S)


def second_fouled(room: Corner) -> None:
    """The other probe begins to read 4 % low."""
    released(room)
    room.wait(HOUR_S)
    assert room.second is not None
    room.second.character = replace(room.second.character, gain=0.96)


def bag_nearly_empty(room: Corner) -> None:
    """A person takes mix for another vessel, and less is left than a batch needs."""
    released(room)
    room.say("lot.adjust", name="tub-7", left_g=LITTLE_G)


def nobody_began(room: Corner) -> None:
    """A batch is wanted at noon, and nobody begins it; the fault is there at the last start."""
    room.wait(3.25 * HOUR_S - PERIOD_S)


def broker_gone(room: Corner) -> None:
    """A publisher hangs for longer than anyone would wait."""
    released(room)
    room.followers = (Follower("mqtt", 900, 400.0, "connection refused"),)


def card_full(room: Corner) -> None:
    """Next to nothing is left on the card."""
    released(room)
    room.free_bytes = 40_000_000


def clock_unset(room: Corner) -> None:
    """Nothing sets the clock any more."""
    released(room)
    room.synced = False


def two_probes(seed: int) -> dict[str, object]:
    """Another probe of the same kind."""
    return {"second": Instrument(seed=seed + 1_000_000)}


def long_calibrated(_: int) -> dict[str, object]:
    """A probe that was calibrated ninety days before."""
    record = Bottles(gain=1.0, wall=START - timedelta(days=90)).calibrate()
    return {"calibrated": (record,)}


FAULTS = (
    Fault("cable pulled", "probe-fault", 90.0, cable_pulled),
    Fault("noise on the line", "probe-fault", 90.0, trouble(garbage=1.0)),
    Fault("driver hangs", "reading-overdue", 8 * 60.0, driver_hangs),
    Fault("probe stuck", "probe-fault", 32 * 60.0, trouble(stuck=1.0)),
    Fault("purifier spent", "blank-impure", 15 * 60.0, impure_fill),
    Fault("salt told, not poured", "mixing-overdue", 31 * 60.0, never_poured),
    Fault("pump off", "mixing-overdue", 70 * 60.0, pump_off),
    Fault("an eighth not poured", "salt-unaccounted", MIXED_WITHIN_S, weighed_short),
    Fault("dosed 8 % too high", "batch-off-target", MIXED_WITHIN_S, too_much),
    Fault("not used", "batch-ageing", 3 * 60.0, not_used),
    Fault("lid off", "salinity-drifting", 90 * 60.0, lid_off),
    Fault("heater stuck", "temperature-out-of-band", 25 * 60.0, heater_stuck),
    Fault("second probe fouled", "probe-disagrees", 15 * 60.0, second_fouled, two_probes),
    Fault("worn cell calibrated", "calibration-refused", 60.0, worn_cell),
    Fault("not calibrated", "calibration-due", 60.0, days_are_over, long_calibrated),
    Fault("bag nearly empty", "salt-low", 60.0, bag_nearly_empty),
    Fault(
        "nobody began",
        "start-missed",
        2 * 60.0,
        nobody_began,
        lambda _: {"due": (DueBatch(None, 12, 0, 60.0),)},
    ),
    Fault("broker gone", "publishing-delayed", 90.0, broker_gone),
    Fault("card full", "storage-low", 90.0, card_full),
    Fault("clock unset", "clock-unsynchronised", 11 * 60.0, clock_unset),
)
