"""What befalls water and machine while nobody looks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from tests.campaigns.hands import moves

if TYPE_CHECKING:
    from tests.campaigns.hands.bench import Bench

EVAPORATION_G_H_PER_L = 6000.0 / 24.0 / 180.0
"""Six litres a day of 180."""
FOULING_PPT_H = (0.05, 0.15)
EVEN = 0.5


def evaporation(bench: Bench) -> None:
    """The lid is off for four days, six litres a day of 180 go."""
    moves.reach(bench, Phase.READY)
    bench.act("lid", evaporation_g_h=EVAPORATION_G_H_PER_L * bench.draw.full_l)
    bench.wait_h(96.0)
    moves.end(bench)
    bench.wait(300.0)


def eight_hours_without_data(bench: Bench) -> None:
    """For eight hours no value comes: the probe is silent, or the service is stopped."""
    phase = _of(bench, Phase.READY, Phase.DISSOLVING, Phase.OFF_TARGET, Phase.STALE)
    moves.reach(bench, phase)
    batch = bench.batch
    bench.silent = bench.dice.random() < EVEN
    bench.stopped = not bench.silent
    bench.wait_h(8.0)
    bench.silent = bench.stopped = False
    moves.go_on(bench, phase, batch)


def power_cut(bench: Bench) -> None:
    """Power fails; the machine comes back decades behind, and has the time only later."""
    phase = _of(bench, Phase.READY, Phase.DISSOLVING, Phase.OFF_TARGET, Phase.STALE)
    moves.reach(bench, phase)
    batch = bench.batch
    off_s = 600.0 * 60.0 ** bench.dice.random()
    bench.cut_power(off_s, bench.dice.uniform(300.0, 3600.0))
    bench.wait(bench.clock.right_s - bench.t_s + 120.0)
    moves.go_on(bench, phase, batch)


def fouling(bench: Bench) -> None:
    """The probe fouls, so that it reads lower or higher hour by hour; at last it is cleaned."""
    moves.reach(bench, Phase.READY)
    ppt_h = bench.dice.uniform(*FOULING_PPT_H) * bench.dice.choice((-1.0, 1.0))
    bench.act("trouble", drift_per_day=24.0 * ppt_h / bench.draw.settings.target_ppt)
    bench.wait_h(bench.dice.uniform(8.0, 30.0))
    moves.to_air(bench, bench.dice.uniform(60.0, 300.0))
    bench.act("trouble", drift_per_day=0.0)
    bench.act("clean")
    moves.put_back(bench)
    bench.wait_h(1.5)
    moves.end(bench)
    bench.wait(300.0)


def stratified_overnight(bench: Bench) -> None:
    """The pump stands still overnight; what came meanwhile lies apart until it runs again."""
    dice = bench.dice
    moves.reach(bench, Phase.READY)
    bench.act("pump", on=False)
    bench.act("lid", evaporation_g_h=bench.draw.full_l * dice.uniform(0.1, 0.5))
    if dice.random() < EVEN:
        moves.fill(bench, 1.0 + dice.uniform(0.005, 0.02))
    bench.wait_h(dice.uniform(8.0, 14.0))
    bench.act("pump", on=True)
    bench.wait_h(2.0)
    moves.put_right(bench)
    moves.end(bench)
    bench.wait(300.0)


def tenfold_unit(bench: Bench) -> None:
    """For a while the values come in a unit that is wrong by ten."""
    phase = _of(bench, Phase.READY, Phase.DISSOLVING, Phase.OFF_TARGET, Phase.STALE)
    moves.reach(bench, phase)
    batch = bench.batch
    bench.factor = bench.dice.choice((0.1, 10.0))
    bench.busy()
    bench.wait(300.0 * 36.0 ** bench.dice.random())
    bench.factor = 1.0
    bench.busy()
    moves.go_on(bench, phase, batch)


def _of(bench: Bench, *phases: Phase) -> Phase:
    """Return the phase that was drawn where it is one of these, or else the first."""
    return bench.draw.phase if bench.draw.phase in phases else phases[0]
