"""The kinds of batch: what is drawn at random for each, and what makes it hard.

A batch is a row of numbers (a structured array), so that thousands of them are
integrated side by side.  Every draw comes from one seeded generator a batch:
the same seed gives the same batch, alone or among others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Batch = dict[str, float]
Rng = np.random.Generator

KINDS = (
    "clean",
    "slow dissolver",
    "heap",
    "two additions",
    "pump stops, restarts",
    "never pumped",
    "plateau below target",
    "noisy",
    "bubbling",
    "temperature",
    "dropouts",
    "stuck probe",
)
"""The twelve single faults that are trained on, in the order of the table."""

JUDGED = (*KINDS, "wrong clock")
"""The kinds that are judged: the wall clock is of no account in training."""

FAST = "clean fast mix"
"""The plainest batch, which may be called soonest; judged apart, and trained on as "clean" is."""

HELD_OUT = "aging salt"
"""A family of kinetics that training leaves out, to see how well it carries over."""

CONDITIONS = (
    "slow thermometer", "long pour", "leftover water", "coarse steps", "fouling", "open vessel",
)  # fmt: skip
"""What is no fault, but makes a fault harder to tell: laid over the kinds."""

NEVER = 1e9
"""A time that does not come, seconds."""


def draw(kind: str, rng: Rng) -> Batch:
    """Return one batch of `kind`; a pair is written "one + other"."""
    batch = _ordinary(rng)
    for each in kind.split(" + "):
        _FAULTS[each](batch, rng)
    return batch


def pair(rng: Rng) -> str:
    """Return two different faults laid over one another."""
    one, other = rng.choice(len(KINDS) - 1, 2, replace=False) + 1
    return f"{KINDS[min(one, other)]} + {KINDS[max(one, other)]}"


def conditioned(rng: Rng) -> str:
    """Return a kind under a condition or two."""
    under = rng.choice(len(CONDITIONS), 2 if _chance(rng, 0.3) else 1, replace=False)
    names = [CONDITIONS[k] for k in sorted(under.tolist())]
    return " + ".join([KINDS[rng.integers(len(KINDS))], *names])


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _chance(rng: Rng, p: float) -> bool:
    return bool(rng.random() < p)


def _order(rng: Rng) -> float:
    """Return the order of dissolution: one, mostly; grains of one size end sooner."""
    return float(rng.choice([1.0, 1.15, 0.85, 0.67, 0.5], p=[0.68, 0.1, 0.1, 0.09, 0.03]))


def _ordinary(rng: Rng) -> Batch:
    """Draw a batch without a fault: water, salt, flow, heat, probe."""
    batch: Batch = {
        "volume_l": _log(rng, 10.0, 1000.0),
        "blank_s": rng.uniform(120.0, 1500.0),
        "start": 0.0,  # 0 with a blank; 1 as salt is poured; 2 in mid-dissolution
        "target": rng.uniform(28.0, 37.0),
        "blank_salinity": _log(rng, 0.005, 0.3),
        "pour_s": _log(rng, 15.0, 420.0),
        "pours": float(rng.integers(1, 4)) if _chance(rng, 0.3) else 1.0,
        # grains afloat
        "grain_tau_s": _log(rng, 50.0, 420.0),
        "grain_order": _order(rng),
        # a second, slower share (coarse grains)
        "coarse_share": rng.uniform(0.0, 0.35) if _chance(rng, 0.6) else 0.0,
        "coarse_tau_s": _log(rng, 150.0, 700.0),
        # grains of several sizes, and shares that age (held out of training)
        "grain_spread": _log(rng, 0.1, 0.9) if _chance(rng, 0.3) else 0.0,
        "stretch": 1.0,
        # what lies on the bottom
        "heap_share": 0.0,
        "heap_tau_s": _log(rng, 600.0, 3600.0),
        "heap_order": _order(rng),
        "heap_diffusive": 0.0,
        "heap_gusts": rng.uniform(0.0, 0.3),
        # the flow
        "bottom_share": rng.uniform(0.15, 0.5),
        "exchange_s": _log(rng, 20.0, 220.0),
        "still_factor": _log(rng, 40.0, 2000.0),
        "still_dissolve": _log(rng, 3.0, 40.0),
        "nook_s": _log(rng, 8.0, 90.0),
        "probe_low": float(_chance(rng, 0.12)),
        "into_bottom": rng.uniform(0.5, 1.0),
        "plume": _log(rng, 0.1, 1.5) if _chance(rng, 0.25) else 0.0,
        "plume_s": _log(rng, 40.0, 900.0),
        "timer_s": NEVER,  # period of a pump that runs by a timer, and the share it runs
        "timer_share": 1.0,
        "pump_off_s": NEVER,
        "pump_on_s": NEVER,
        "pump_off2_s": NEVER,
        "pump_on2_s": NEVER,
        # heat
        "t_start": rng.uniform(17.0, 27.0),
        "t_room": rng.uniform(17.0, 27.0),
        "t_room_tau_s": _log(rng, 5000.0, 60000.0),
        "t_ramp_per_h": 0.0,
        "t_cycle_K": 0.0,
        "t_cycle_s": _log(rng, 300.0, 2400.0),
        "t_solution_K": rng.uniform(-1.0, 0.6),
        # evaporation and fouling, of salinity, 1/h
        "evaporation_per_h": _log(rng, 0.001, 0.015),
        "fouling_per_h": _log(rng, 0.001, 0.03) if _chance(rng, 0.15) else 0.0,
        # later additions
        "second_s": NEVER,
        "second_salinity": 0.0,
        "second_water": 0.0,
        # the probe
        "every_s": _log(rng, 0.8, 10.0) if _chance(rng, 0.85) else _log(rng, 0.2, 0.8),
        "jitter": rng.choice([0.0, 0.02, 0.3]),
        "lag_t_s": _log(rng, 3.0, 60.0),
        "lag_c_s": _log(rng, 1.0, 20.0),
        "white": _log(rng, 0.002, 0.03),
        "red": _log(rng, 0.2, 1.5) if _chance(rng, 0.6) else 0.0,
        "red_s": _log(rng, 3.0, 120.0),
        "wander": _log(rng, 0.05, 0.6) if _chance(rng, 0.5) else 0.0,
        "flow_noise": rng.uniform(0.2, 0.9) if _chance(rng, 0.65) else 0.0,
        "noise_with_level": float(_chance(rng, 0.5)),
        "pink": _log(rng, 0.1, 1.0) if _chance(rng, 0.25) else 0.0,
        "heavy": float(_chance(rng, 0.15)),
        "hum": _log(rng, 0.2, 2.0) if _chance(rng, 0.1) else 0.0,
        "hum_s": _log(rng, 2.0, 90.0),
        "patches": _log(rng, 0.003, 0.1) if _chance(rng, 0.5) else 0.0,
        "white_t": _log(rng, 0.001, 0.02),
        "step_c": rng.choice([0.001, 0.001, 0.01, 0.01, 0.02, 0.05, 0.1]),
        "step_t": rng.choice([0.001, 0.01, 0.01, 0.0625, 0.1]),
        "spikes": _log(rng, 1e-4, 5e-3) if _chance(rng, 0.4) else 0.0,
        "spike_size": _log(rng, 0.3, 30.0),
        "bubbles_per_min": _log(rng, 0.02, 0.3) if _chance(rng, 0.3) else 0.0,
        "bubble_s": _log(rng, 0.5, 8.0),
        "bubble_depth": _log(rng, 0.003, 0.05),
        "bursts_per_h": rng.uniform(0.2, 2.0) if _chance(rng, 0.2) else 0.0,
        "burst_s": _log(rng, 10.0, 200.0),
        "burst_size": _log(rng, 0.1, 2.0),
        "lost": _log(rng, 1e-3, 0.02) if _chance(rng, 0.4) else 0.0,
        "gaps_per_h": rng.uniform(0.1, 0.5) if _chance(rng, 0.15) else 0.0,
        "gap_s": _log(rng, 40.0, 400.0),
        "stuck_s": NEVER,
        "stuck_end_s": NEVER,
        "stuck_which": 0.0,  # 0 both, 1 conductivity, 2 temperature, 3 dry
        "stuck_jitter": 0.0,
        "clock_s": NEVER,  # when the wall clock jumps, and how far
        "clock_jump_s": 0.0,
        "tail_s": rng.uniform(1800.0, 6000.0),
        "hard_end_s": rng.uniform(5400.0, 14400.0),
    }
    if _chance(rng, 0.25):
        batch["start"] = float(rng.integers(1, 3))
    if _chance(rng, 0.35):
        batch["t_cycle_K"] = _log(rng, 0.03, 0.3)
    if _chance(rng, 0.3):  # a room that keeps its temperature, and water that has it
        batch["t_room"], batch["t_solution_K"] = batch["t_start"], 0.1 * batch["t_solution_K"]
        batch["t_cycle_K"] = 0.0
    if _chance(rng, 0.15):  # one kind of grain, well stirred: the plainest course
        batch |= {"coarse_share": 0.0, "nook_s": 8.0, "exchange_s": 20.0, "pour_s": 15.0,
                  "grain_order": 1.0, "patches": 0.0, "red": 0.0}  # fmt: skip
    if batch["step_c"] > 0.03:
        batch["white"] = max(batch["white"], batch["step_c"] * _log(rng, 0.1, 1.0))
    if _chance(rng, 0.15):  # a small heap is nothing unusual
        batch["heap_share"] = _log(rng, 0.002, 0.04)
        batch["heap_tau_s"] = _log(rng, 300.0, 1500.0)
    return batch


def _clean(batch: Batch, rng: Rng) -> None:
    batch |= {
        "spikes": 0.0, "bubbles_per_min": 0.0, "bursts_per_h": 0.0, "gaps_per_h": 0.0,
        "fouling_per_h": 0.0, "heap_share": 0.0, "white": _log(rng, 0.002, 0.015),
        "wander": min(batch["wander"], 0.2),
    }  # fmt: skip


def _fast(batch: Batch, rng: Rng) -> None:
    """Let fine salt be stirred well before a good probe."""
    _clean(batch, rng)
    batch |= {
        "grain_tau_s": _log(rng, 50.0, 110.0), "grain_order": 1.0, "grain_spread": 0.0,
        "coarse_share": 0.0, "exchange_s": _log(rng, 20.0, 50.0), "nook_s": _log(rng, 8.0, 20.0),
        "pour_s": _log(rng, 15.0, 90.0), "pours": 1.0, "plume": 0.0, "start": 0.0,
        "white": _log(rng, 0.002, 0.01), "red": min(batch["red"], 0.5),
        "wander": min(batch["wander"], 0.1), "pink": 0.0, "heavy": 0.0, "hum": 0.0,
        "step_c": rng.choice([0.001, 0.01]), "step_t": rng.choice([0.001, 0.01]),
        "t_cycle_K": 0.0,
    }  # fmt: skip


def _slow(batch: Batch, rng: Rng) -> None:
    batch["grain_tau_s"] = _log(rng, 400.0, 2000.0)
    batch["coarse_share"] = rng.uniform(0.0, 0.5)
    batch["coarse_tau_s"] = batch["grain_tau_s"] * rng.uniform(0.3, 1.3)


def _heap(batch: Batch, rng: Rng) -> None:
    batch["heap_share"] = _log(rng, 0.006, 0.35)
    batch["heap_tau_s"] = _log(rng, 400.0, 3600.0)
    batch["heap_diffusive"] = float(_chance(rng, 0.2))


def _two(batch: Batch, rng: Rng) -> None:
    batch["second_s"] = batch["blank_s"] + _log(rng, 300.0, 6000.0)
    if _chance(rng, 0.7):
        batch["second_salinity"] = _log(rng, 0.3, 14.0)
        batch["target"] -= min(batch["second_salinity"], 12.0) * 0.8
    else:
        batch["second_water"] = _log(rng, 0.01, 0.2)


def _progress(batch: Batch, rng: Rng) -> float:
    """Return a moment at which dissolution is well on its way, seconds."""
    slow = batch["grain_tau_s"]
    if batch["heap_share"] > 0.0 and _chance(rng, 0.5):
        slow = max(slow, 0.5 * batch["heap_tau_s"])
    if batch["coarse_share"] > 0.0:
        slow = max(slow, batch["coarse_tau_s"] * 0.8)
    steps = rng.uniform(0.3, 4.5)
    return batch["blank_s"] + batch["pour_s"] + steps * (slow + 0.5 * batch["exchange_s"])


def _pump(batch: Batch, rng: Rng) -> None:
    if _chance(rng, 0.12):
        batch["timer_s"] = _log(rng, 240.0, 3600.0)
        batch["timer_share"] = rng.uniform(0.3, 0.85)
        return
    batch["pump_off_s"] = _progress(batch, rng)
    if _chance(rng, 0.75):
        batch["pump_on_s"] = batch["pump_off_s"] + _log(rng, 300.0, 5400.0)
        if _chance(rng, 0.2):
            batch["pump_off2_s"] = batch["pump_on_s"] + _log(rng, 120.0, 1800.0)
            batch["pump_on2_s"] = batch["pump_off2_s"] + _log(rng, 300.0, 3600.0)


def _unpumped(batch: Batch, rng: Rng) -> None:
    batch["pump_off_s"] = 0.0
    batch["into_bottom"] = rng.uniform(0.3, 1.0)
    batch["still_factor"] = _log(rng, 30.0, 2000.0)
    batch["still_dissolve"] = _log(rng, 1.0, 15.0)
    if _chance(rng, 0.4):  # it was stirred by hand, or ran at first
        batch["pump_off_s"] = batch["blank_s"] + rng.uniform(0.0, 1.2) * batch["pour_s"]
    if _chance(rng, 0.15):
        batch["flow_noise"] = 0.0


def _plateau(batch: Batch, rng: Rng) -> None:
    batch["target"] *= rng.uniform(0.6, 0.95)


def _noisy(batch: Batch, rng: Rng) -> None:
    batch["white"] = _log(rng, 0.02, 0.1)
    batch["red"] = rng.uniform(0.0, 1.2)
    batch["wander"] = rng.uniform(0.0, 0.5)
    batch["white_t"] = _log(rng, 0.005, 0.05)
    if _chance(rng, 0.5):
        batch["bursts_per_h"] = rng.uniform(0.5, 5.0)
    if _chance(rng, 0.5):
        batch["spikes"] = _log(rng, 2e-3, 2e-2)


def _bubbling(batch: Batch, rng: Rng) -> None:
    batch["bubbles_per_min"] = _log(rng, 0.3, 6.0)
    batch["bubble_s"] = _log(rng, 0.5, 25.0)
    batch["bubble_depth"] = _log(rng, 0.003, 0.15)


def _temperature(batch: Batch, rng: Rng) -> None:
    if _chance(rng, 0.5):
        batch["t_ramp_per_h"] = rng.uniform(-1.0, 1.0) * 5.0
    else:
        batch["t_cycle_K"] = _log(rng, 0.2, 1.2)
    batch["lag_t_s"] = _log(rng, 10.0, 60.0)


def _dropouts(batch: Batch, rng: Rng) -> None:
    batch["lost"] = _log(rng, 0.02, 0.4)
    batch["gaps_per_h"] = rng.uniform(0.5, 4.0)
    batch["gap_s"] = _log(rng, 60.0, 1200.0)


def _stuck(batch: Batch, rng: Rng) -> None:
    batch["stuck_s"] = _progress(batch, rng)
    batch["stuck_which"] = float(rng.choice([0, 0, 0, 1, 1, 3]))
    if _chance(rng, 0.12):
        batch["stuck_s"] = batch["blank_s"] * rng.uniform(0.2, 1.0)
    if _chance(rng, 0.2):
        batch["stuck_end_s"] = batch["stuck_s"] + _log(rng, 300.0, 5400.0)
    if _chance(rng, 0.15):
        batch["stuck_jitter"] = _log(rng, 0.0005, 0.003)


def _aging(batch: Batch, rng: Rng) -> None:
    """Let salt dissolve by a law that training never shows: a rate that changes with age."""
    batch["stretch"] = rng.uniform(0.6, 0.9) if _chance(rng, 0.7) else rng.uniform(1.1, 1.4)
    batch["grain_spread"] = rng.uniform(0.0, 0.5)


def _wrong_clock(batch: Batch, rng: Rng) -> None:
    """Let the wall clock jump by an hour back, an hour on, or a year."""
    batch["clock_s"] = _progress(batch, rng)
    batch["clock_jump_s"] = float(rng.choice([-3600.0, 3600.0, 365.0 * 86_400.0]))


def _slow_thermometer(batch: Batch, rng: Rng) -> None:
    batch["lag_t_s"] = _log(rng, 30.0, 120.0)
    batch["t_cycle_K"] = max(batch["t_cycle_K"], _log(rng, 0.1, 1.2))


def _long_pour(batch: Batch, rng: Rng) -> None:
    batch["pour_s"] = _log(rng, 420.0, 1800.0)
    batch["start"] = min(batch["start"], 1.0)


def _leftover(batch: Batch, rng: Rng) -> None:
    """Let salt water stand in the reservoir already."""
    batch["blank_salinity"] = batch["target"] * rng.uniform(0.05, 0.85)


def _coarse(batch: Batch, rng: Rng) -> None:
    batch["step_c"], batch["step_t"] = rng.choice([0.05, 0.1]), rng.choice([0.0625, 0.1])
    batch["white"] = max(batch["white"], batch["step_c"] * _log(rng, 0.05, 0.5))


def _fouling(batch: Batch, rng: Rng) -> None:
    batch["fouling_per_h"] = _log(rng, 0.03, 0.12)


def _open(batch: Batch, rng: Rng) -> None:
    """Let more water evaporate than from a covered vessel."""
    batch["evaporation_per_h"] = _log(rng, 0.015, 0.06)


_FAULTS = {
    "clean": _clean,
    FAST: _fast,
    "slow dissolver": _slow,
    "heap": _heap,
    "two additions": _two,
    "pump stops, restarts": _pump,
    "never pumped": _unpumped,
    "plateau below target": _plateau,
    "noisy": _noisy,
    "bubbling": _bubbling,
    "temperature": _temperature,
    "dropouts": _dropouts,
    "stuck probe": _stuck,
    "wrong clock": _wrong_clock,
    HELD_OUT: _aging,
    "slow thermometer": _slow_thermometer,
    "long pour": _long_pour,
    "leftover water": _leftover,
    "coarse steps": _coarse,
    "fouling": _fouling,
    "open vessel": _open,
}


def rows(batches: list[Batch]) -> dict[str, npt.NDArray[np.float64]]:
    """Return the batches as one array a quantity."""
    return {name: np.array([batch[name] for batch in batches]) for name in batches[0]}
