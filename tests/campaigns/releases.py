"""Many seeded batches, from the plan to the verdict and its correction, held against the truth.

    python -m tests.campaigns.releases --count 500 --seed 1

Volume, target, tolerance, probe, scale, salt, heel, kinetics, pump and noise are drawn anew for
each batch.  The probe is off by a cell factor and a thermometer offset drawn from the uncertainty
that the station is told of it, so that a verdict with the stated confidence is really put to the
proof.  Each batch that is not released at once is corrected once, by the advice.  A second part
mixes some batches of each of several lots, and looks where the plan lands once it has learned.

Exit 0, or 1 when a limit is not kept.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from daemon.entries import JSON, Kind, Phase
from daemon.mixing import dosing, lots
from daemon.mixing.advice import Vessel
from daemon.mixing.batch import BatchSettings
from daemon.mixing.uncertainty import ProbeUncertainty, acceptance_interval, salinity_u
from simulators.scenarios import plain_batch
from simulators.stage import Scenario
from simulators.vessel import SaltMix
from simulators.vessel import Vessel as Tub
from tests.campaigns.rooms import Room, a_room

LOT = "tub-7"
YIELD_SPREAD = 0.03
SCALE_SHARE = 0.005
MARK_SHARE = 0.01
FILL_SHARE = 0.003
OPEN_S = 600.0
WELL_INSIDE_K = 2.0
BATCHES_PER_LOT = 4
RELEASED_OUT_LIMIT, REFUSED_LIMIT, CORRECTED_LIMIT, LANDED_PPT = 0.01, 0.03, 0.97, 0.3


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn for one batch, or for one lot and its batches.

    Attributes:
        story: Water, vessel, probe and salt, nothing done yet.
        settings: What the batch has to be, and the vessel as its owner believes it to be.
        worth: What the station is told of the probe.
        mark: Factor from the litres believed to those in the vessel.
        heel: Share of the vessel that is old water; 0 for none.
        tells: Whether the keeper tells mass and lot.
        seed: Of noise and weighings.
    """

    story: Scenario
    settings: BatchSettings
    worth: ProbeUncertainty
    mark: float
    heel: float
    tells: bool
    seed: int


@dataclass(slots=True)
class Found:
    """How one batch came out.

    Attributes:
        target: Practical salinity wanted.
        tolerance: Allowed to either side.
        first_true: True salinity at the first verdict.
        first: Phase then.
        u: Standard uncertainty stated then.
        true: True salinity after the correction, or as `first_true` where none was made.
        last: Phase then.
        corrected: Whether a correction was made.
        released: True salinity at each release.
        minutes: From the pour to the first verdict.
    """

    target: float
    tolerance: float
    first_true: float
    first: Phase
    u: float
    true: float
    last: Phase
    corrected: bool
    released: list[float]
    minutes: float

    def verdicts(self) -> list[tuple[float, Phase]]:
        """How far the truth was from target at each verdict, and the verdict."""
        found = [(abs(self.first_true - self.target), self.first)]
        return found + [(abs(self.true - self.target), self.last)] * self.corrected

    def sure(self, k: float) -> float:
        """How far from target the truth may be to be accepted with `k` uncertainties to spare."""
        low, high = self.target - self.tolerance, self.target + self.tolerance
        span = acceptance_interval(self.u, low, high)
        return -1.0 if span is None else (span[1] - span[0]) / 2.0 - k * self.u


def draw(seed: int, number: int, what: str = "batch", lie: float = 1.0) -> Draw:
    """Draw one batch; the same for the same numbers.

    Args:
        seed: Of the campaign.
        number: Of the batch.
        what: Which of several series.
        lie: How many times larger the probe's errors are than is said of it.
    """
    dice = random.Random(f"{what}/{seed}/{number}")
    worth = ProbeUncertainty(dice.choice((0.2, 0.35, 0.5)), dice.choice((0.05, 0.1)))
    fill_l = round(20.0 * 40.0 ** dice.random(), 1)
    tolerance = dice.choice((1.0, 1.0, 1.0, 0.5))
    settings = BatchSettings(
        target_ppt=round(dice.uniform(33.0, 35.0), 1),
        tolerance_ppt=tolerance,
        vessel=Vessel(fill_l, round(1.25 * fill_l, 1), dosing.COMMON_YIELD),
    )
    return Draw(
        story=_story(dice, fill_l, worth, lie),
        settings=settings,
        worth=worth,
        mark=1.0 + dice.gauss(0.0, MARK_SHARE),
        heel=dice.choice((0.0, 0.0, dice.uniform(0.05, 0.25))),
        tells=dice.random() < 0.7,
        seed=dice.randrange(1_000_000),
    )


def _story(dice: random.Random, fill_l: float, worth: ProbeUncertainty, lie: float) -> Scenario:
    usual = plain_batch()
    noise = dice.uniform(0.5, 3.0)
    character = replace(
        usual.character,
        gain=1.0 + dice.gauss(0.0, lie * worth.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, lie * worth.temperature_C),
        noise_share=usual.character.noise_share * noise,
        wander_share=usual.character.wander_share * noise,
        wander_s=dice.uniform(10.0, 90.0),
    )
    room_C = dice.uniform(18.0, 28.0)
    tub = Tub(
        capacity_l=1.4 * fill_l,
        # The water goes past the probe once in one to eight minutes.
        pumped_g_s=160.0 * fill_l / dice.uniform(60.0, 480.0),
        fast_s=dice.uniform(40.0, 150.0),
        slow_s=dice.uniform(120.0, 500.0),
        room_C=room_C,
        evaporation_g_h=fill_l * dice.uniform(0.02, 0.2),
    )
    mix = SaltMix(
        salt_yield=min(max(dice.gauss(dosing.COMMON_YIELD, YIELD_SPREAD), 0.78), 0.97),
        slow_share=dice.uniform(0.05, 0.35),
    )
    return replace(
        usual,
        name="release",
        actions=(),
        character=character,
        vessel=tub,
        mix=mix,
        temperature_C=room_C + dice.uniform(-2.0, 2.0),
        starts_with_l=0.05 * fill_l,
        starts_at=0.002,
    )


class Corner:
    """The room of one draw, with the clumsiness of whoever works in it."""

    def __init__(self, drawn: Draw) -> None:
        """Set the stage; nothing is done yet."""
        self.drawn = drawn
        self.dice = random.Random(f"clumsy/{drawn.seed}")
        self.fill_l = drawn.settings.vessel.fill_l
        heel_l = drawn.heel * self.fill_l
        self.heel = (heel_l, drawn.settings.target_ppt if heel_l else 0.0)
        story = drawn.story
        if heel_l:
            story = replace(
                story, starts_with_l=heel_l * drawn.mark, starts_at=drawn.settings.target_ppt
            )
        self.room: Room = a_room(story, drawn.settings, drawn.worth, drawn.seed)
        self.room.wait(60.0)
        self.room.say("lot.add", name=LOT)

    def fill(self) -> None:
        """Let purified water run in up to the mark, as well as that can be read."""
        litres = self.fill_l * self.drawn.mark * (1.0 + self.dice.gauss(0.0, FILL_SHARE))
        self.room.fill(litres - self.room.stage.reservoir.volume_l(), rate=self.fill_l / 300.0)
        self.room.wait(300.0)

    def clumsy(self) -> float:
        """Factor between what is weighed and what is poured."""
        return 1.0 + self.dice.gauss(0.0, SCALE_SHARE)

    def plan(self) -> float:
        """Plan the salt and say so; return the grams to weigh."""
        room, (heel_l, heel) = self.room, self.heel
        known = lots.estimate(room.station.state.lots[LOT], room.stage.t_s)
        target, warmth = self.drawn.settings.target_ppt, self.drawn.story.temperature_C
        grams = dosing.plan(self.fill_l, target, known.value, warmth, heel_l, heel).salt_g
        if self.drawn.tells:
            facts: dict[str, JSON] = {"mass_g": grams, "volume_l": self.fill_l, "lot": LOT}
            if heel_l:
                facts |= {"heel_volume_l": heel_l, "heel_salinity": heel}
            room.say("batch.start", **facts)
        return grams

    def mix(self) -> Found:
        """Plan, pour, wait for a verdict, correct once where it is not released."""
        room = self.room
        released = len(room.releases)
        room.pour(self.plan() * self.clumsy())
        began_s = room.stage.t_s
        room.settle()
        settled_s = room.stage.t_s
        # What is undecided may still be decided by more readings.
        room.until(lambda: room.phase is not Phase.VERIFYING, OPEN_S)
        settings = self.drawn.settings
        found = Found(
            target=settings.target_ppt,
            tolerance=settings.tolerance_ppt,
            first_true=self.true,
            first=room.phase,
            u=self.stated_u(),
            true=self.true,
            last=room.phase,
            corrected=False,
            released=[],
            minutes=(settled_s - began_s) / 60.0,
        )
        if found.first is not Phase.READY:
            found.corrected = room.put_right(self.clumsy)
            room.until(lambda: room.phase is not Phase.VERIFYING, OPEN_S)
        found.true, found.last = self.true, room.phase
        found.released = [each.true for each in room.releases[released:]]
        return found

    @property
    def true(self) -> float:
        """True salinity now."""
        return self.room.stage.reservoir.true_salinity()

    def stated_u(self) -> float:
        """Standard uncertainty of the last steady salinity; of a perfect reading before any."""
        for event in reversed(self.room.events):
            if event.kind is Kind.STABILISED:
                u = event.facts["salinity_u"]
                assert isinstance(u, float)
                return u
        return salinity_u(52.0, 24.0, self.drawn.worth)


def campaign(count: int, seed: int, lie: float = 1.0) -> Iterator[Found]:
    """Yield the outcome of each batch; the arguments are those of `draw`."""
    for number in range(count):
        corner = Corner(draw(seed, number, lie=lie))
        corner.fill()
        yield corner.mix()


def lot_campaign(count: int, seed: int) -> Iterator[list[float]]:
    """Yield for each lot how far each of its batches landed from target before any correction."""
    for number in range(count):
        drawn = replace(draw(seed, number, "lot"), heel=0.0, tells=True)
        corner = Corner(drawn)
        landed = []
        for _ in range(BATCHES_PER_LOT):
            corner.fill()
            found = corner.mix()
            landed.append(found.first_true - found.target)
            corner.room.say("batch.use" if found.last is Phase.READY else "batch.discard")
            corner.room.draw_down_to(0.0, rate=corner.fill_l / 300.0)
            corner.room.night(24.0 * (len(landed)))
        yield landed


@dataclass(frozen=True, slots=True)
class Sums:
    """What the batches of a campaign come to.

    Attributes:
        batches: How many.
        releases: How many releases.
        released_out: Of these, truly outside tolerance.
        well_inside: Verdicts on water that was truly well inside.
        well_refused: Of these, refused.
        well_open: Of these, left undecided or without a verdict.
        inside: Verdicts on water truly within the acceptance interval.
        inside_refused: Of these, refused.
        inside_open: Of these, left undecided or without a verdict.
        corrected: Batches that were corrected.
        corrected_inside: Of these, truly within tolerance afterwards.
        corrected_released: Of these, released afterwards.
        without_verdict: Batches that were still dissolving after hours.
    """

    batches: int
    releases: int
    released_out: int
    well_inside: int
    well_refused: int
    well_open: int
    inside: int
    inside_refused: int
    inside_open: int
    corrected: int
    corrected_inside: int
    corrected_released: int
    without_verdict: int


def sums(found: Sequence[Found]) -> Sums:
    """Count."""
    released = [(abs(true - e.target), e.tolerance) for e in found for true in e.released]
    well = _within(found, WELL_INSIDE_K)
    inside = _within(found, 0.0)
    corrected = [each for each in found if each.corrected]
    return Sums(
        batches=len(found),
        releases=len(released),
        released_out=sum(away > tolerance for away, tolerance in released),
        well_inside=len(well),
        well_refused=well.count(Phase.OFF_TARGET),
        well_open=len(well) - well.count(Phase.OFF_TARGET) - well.count(Phase.READY),
        inside=len(inside),
        inside_refused=inside.count(Phase.OFF_TARGET),
        inside_open=len(inside) - inside.count(Phase.OFF_TARGET) - inside.count(Phase.READY),
        corrected=len(corrected),
        corrected_inside=sum(abs(e.true - e.target) <= e.tolerance for e in corrected),
        corrected_released=sum(e.last is Phase.READY for e in corrected),
        without_verdict=sum(e.first is Phase.DISSOLVING for e in found),
    )


def _within(found: Sequence[Found], k: float) -> list[Phase]:
    """Return the verdicts on water that was inside with `k` uncertainties to spare."""
    return [phase for e in found for away, phase in e.verdicts() if away <= e.sure(k)]


def learned_ppt(landed: Sequence[Sequence[float]]) -> float:
    """Return the median distance from target of the last batch of each lot."""
    return median(abs(each[-1]) for each in landed)


def table(all_of: Sums, landed: Sequence[Sequence[float]]) -> str:
    """Return what was counted, each line with its limit."""
    s = all_of

    def line(what: str, part: int, whole: int, limit: str = "") -> str:
        share = 100.0 * part / whole if whole else 0.0
        return f"{what:<58}{part:>5} of {whole:<5}{share:>6.1f} %  {limit}"

    lines = [
        line("released, truly outside tolerance", s.released_out, s.releases, "at most 1 %"),
        line(
            f"truly well inside (by {WELL_INSIDE_K:g} u), refused or undecided",
            s.well_refused + s.well_open,
            s.well_inside,
            "at most 3 %",
        ),
        line("  of these refused", s.well_refused, s.well_inside),
        line(
            "truly in the acceptance interval, refused", s.inside_refused, s.inside, "at most 3 %"
        ),
        line("  or left undecided", s.inside_open, s.inside),
        line("after one correction truly inside", s.corrected_inside, s.corrected, "at least 97 %"),
        line("  and released", s.corrected_released, s.corrected),
        line("no verdict within four hours", s.without_verdict, s.batches),
    ]
    for number in range(BATCHES_PER_LOT if landed else 0):
        away = median(abs(each[number]) for each in landed)
        limit = f"at most {LANDED_PPT:g}" if number == BATCHES_PER_LOT - 1 else ""
        what = f"batch {number + 1} of a lot lands off target by (median of {len(landed)})"
        lines.append(f"{what:<58}{away:>9.3f} ppt        {limit}")
    return "\n".join(lines)


def kept(all_of: Sums, landed: Sequence[Sequence[float]]) -> bool:
    """Say whether every limit is kept."""
    s = all_of
    return (
        s.released_out <= RELEASED_OUT_LIMIT * s.releases
        and s.well_refused + s.well_open <= REFUSED_LIMIT * s.well_inside
        and s.inside_refused <= REFUSED_LIMIT * s.inside
        and s.corrected_inside >= CORRECTED_LIMIT * s.corrected
        and (not landed or learned_ppt(landed) <= LANDED_PPT)
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.releases", description=__doc__)
    parser.add_argument("--count", type=int, default=500, metavar="N", help="batches [500]")
    parser.add_argument("--lots", type=int, default=40, metavar="N", help="lots [40]")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of everything [1]")
    parser.add_argument("--verbose", action="store_true", help="print each batch that went wrong")
    asked = parser.parse_args(arguments)
    found = []
    for number, each in enumerate(campaign(asked.count, asked.seed)):
        found.append(each)
        wrong = any(abs(true - each.target) > each.tolerance for true in each.released)
        refused = any(
            away <= each.sure(WELL_INSIDE_K) and phase is not Phase.READY
            for away, phase in each.verdicts()
        )
        if asked.verbose and (wrong or refused):
            sys.stdout.write(f"batch {number}: {each}\n")
    landed = list(lot_campaign(asked.lots, asked.seed))
    sys.stdout.write(table(sums(found), landed) + "\n")
    return int(not kept(sums(found), landed))


if __name__ == "__main__":
    sys.exit(main())
