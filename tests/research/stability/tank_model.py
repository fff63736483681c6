"""Salt, water and heat in a reservoir of three zones, many batches at once.

Zones: the bottom water, the top water, and the nook where the probe sits,
which follows one of them.  Salt: grains afloat, coarse grains, and a heap.
Grains afloat come in three sizes.  Each store dissolves as
dm/dt = -(m0/tau) (m/m0)^order: order 1 is the first order of Noyes and
Whitney, order 2/3 about the shrinking grains of Hixson and Crowell, which end;
a diffusive heap slows with the root of its age, and so, by a power, may all
salt in a family that training leaves out.  The pump
exchanges the zones; without it they barely exchange, and salt hardly dissolves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

STEP_S = 3.0
"""Step of integration and of the stored grid, seconds."""

HORIZON_S = 6.5 * 3600.0
TOLERANCE = 0.1
DISSOLVED = 0.08
"""Undissolved salt that still counts as all dissolved, practical salinity."""

_SIZES = (0.3, 0.4, 0.3)
"""Shares of small, middling and large grains."""

_HEAP = len(_SIZES) + 1
"""Row of the heap among the stores: sizes of grains, coarse grains, heap."""

_OF_PUMP = (
    "pump_off_s", "pump_on_s", "pump_off2_s", "pump_on2_s", "timer_s", "timer_share",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happens, on a grid of `STEP_S`; rows are batches.

    Attributes:
        nook: Salinity of the water at the probe.
        final: Where it is heading, with the salt and water added so far.
        over: Whether mixing is over: dissolved, homogeneous, and near the final value.
        flowing: Whether the pump runs.
        temperature: °C.
    """

    nook: npt.NDArray[np.float32]
    final: npt.NDArray[np.float32]
    over: npt.NDArray[np.bool_]
    flowing: npt.NDArray[np.bool_]
    temperature: npt.NDArray[np.float32]


def integrate(batch: dict[str, Floats]) -> Truth:
    """Integrate all batches from the start of their blank."""
    count = len(batch["volume_l"])
    steps = int(HORIZON_S / STEP_S)
    nook = np.empty((count, steps), np.float32)
    final = np.empty((count, steps), np.float32)
    over = np.empty((count, steps), bool)
    state = _Reservoir(batch)
    for k in range(steps):
        state.step(k * STEP_S)
        nook[:, k] = state.nook
        final[:, k] = state.goal
        over[:, k] = state.over
    t_s = np.arange(steps, dtype=np.float64) * STEP_S
    flowing = runs({name: batch[name][:, None] for name in _OF_PUMP}, t_s)
    return Truth(nook, final, over, flowing, _heat(batch, t_s))


def runs(batch: dict[str, Floats], t_s: float | Floats) -> npt.NDArray[np.bool_]:
    """Return whether the pump runs."""
    off = (t_s >= batch["pump_off_s"]) & (t_s < batch["pump_on_s"])
    off |= (t_s >= batch["pump_off2_s"]) & (t_s < batch["pump_on2_s"])
    off |= (t_s / batch["timer_s"]) % 1.0 >= batch["timer_share"]
    return np.asarray(~off)


def _heat(batch: dict[str, Floats], t_s: Floats) -> npt.NDArray[np.float32]:
    """Return temperature: towards the room, the heat of solution, a ramp, a thermostat."""
    col = {name: value[:, None] for name, value in batch.items()}
    since = np.maximum(t_s - col["blank_s"], 0.0)
    towards = 1.0 - np.exp(-t_s / col["t_room_tau_s"])
    warm = col["t_start"] + (col["t_room"] - col["t_start"]) * towards
    warm = warm + col["t_solution_K"] * (1.0 - np.exp(-since / (col["pour_s"] + 60.0)))
    warm = warm + np.clip(col["t_ramp_per_h"] * t_s / 3600.0, -6.0, 6.0)
    turn = (t_s / col["t_cycle_s"]) % 1.0
    saw = np.where(turn < 0.3, turn / 0.3, (1.0 - turn) / 0.7)
    return np.asarray(warm + col["t_cycle_K"] * (saw - 0.5), np.float32)


class _Reservoir:
    """The state of all reservoirs; salt is in units of salinity over the whole volume."""

    def __init__(self, batch: dict[str, Floats]) -> None:
        self.b = batch
        count = len(batch["volume_l"])
        self.bottom = batch["blank_salinity"].copy()
        self.top = self.bottom.copy()
        self.nook = self.bottom.copy()
        self.share = batch["bottom_share"].copy()
        salt = batch["target"] - batch["blank_salinity"]
        heap = batch["heap_share"]
        coarse = batch["coarse_share"] * (1.0 - heap)
        grains = salt * (1.0 - heap - coarse)
        self.whole = np.stack([*(grains * part for part in _SIZES), salt * coarse, salt * heap])
        self.whole2 = np.zeros_like(self.whole)
        self.mass = np.zeros_like(self.whole)
        order, spread = batch["grain_order"], batch["grain_spread"]
        self.order = np.stack([order, order, order, order, batch["heap_order"]])
        grain = [batch["grain_tau_s"] * np.exp(side * spread) for side in (-1.0, 0.0, 1.0)]
        self.tau = np.stack([*grain, batch["coarse_tau_s"], batch["heap_tau_s"]])
        self.goal = self.bottom.copy()
        self.over = np.zeros(count, bool)

    def step(self, t_s: float) -> None:
        """Advance all by `STEP_S` from time `t_s`."""
        b = self.b
        self._pour(t_s)
        flowing = runs(b, t_s)
        gained = self._dissolve(t_s, flowing)
        low = gained[:_HEAP].sum(axis=0) * b["into_bottom"] + gained[_HEAP]
        high = gained.sum(axis=0) - low
        self.bottom += low / self.share
        self.top += high / (1.0 - self.share)
        self._exchange(t_s, flowing)
        evaporated = 1.0 + b["evaporation_per_h"] / 35.0 * STEP_S / 3600.0
        self.bottom *= evaporated
        self.top *= evaporated
        near = np.where(b["probe_low"] > 0.0, self.bottom, self.top)
        nook_s = b["nook_s"] * np.where(flowing, 1.0, 3.0)
        self.nook += (near - self.nook) * (1.0 - np.exp(-STEP_S / nook_s))
        left = self.mass.sum(axis=0)
        self.goal = self.share * self.bottom + (1.0 - self.share) * self.top + left
        self.over = (
            (left < DISSOLVED)
            & (np.abs(self.bottom - self.top) < TOLERANCE)
            & (np.abs(self.nook - self.goal) < TOLERANCE)
            & (t_s > b["blank_s"] + b["pour_s"])
        )

    def _pour(self, t_s: float) -> None:
        b = self.b
        pause = b["pour_s"] * 0.5 * (b["pours"] - 1.0)
        length = b["pour_s"] + pause
        into = (t_s - b["blank_s"]) / length
        turn = (into * (2.0 * b["pours"] - 1.0)).astype(int) % 2 == 0
        pouring = (into >= 0.0) & (into < 1.0) & turn
        active = length * b["pours"] / (2.0 * b["pours"] - 1.0)
        self.mass += self.whole * np.where(pouring, STEP_S / active, 0.0)
        second = (t_s >= b["second_s"]) & (t_s < b["second_s"] + STEP_S)
        if second.any():
            again = self.whole / np.maximum(self.whole.sum(axis=0), 1e-9)
            self.whole2 += np.where(second, again * b["second_salinity"], 0.0)
            self.mass += np.where(second, again * b["second_salinity"], 0.0)
            water = np.where(second, b["second_water"], 0.0)
            self.mass /= 1.0 + water
            self.top /= 1.0 + water / (1.0 - self.share)
            self.share = self.share / (1.0 + water)

    def _dissolve(self, t_s: float, flowing: npt.NDArray[np.bool_]) -> Floats:
        b = self.b
        whole = np.maximum(np.maximum(self.whole, self.whole2), 1e-9)
        level = np.minimum(self.mass / whole, 1.0)
        rate = whole / self.tau * level**self.order
        age = np.maximum(t_s - b["blank_s"], 60.0)
        own_age = np.maximum(t_s - b["blank_s"], 20.0) / self.tau
        rate *= b["stretch"] * own_age ** (b["stretch"] - 1.0)
        rate[_HEAP] *= np.where(
            b["heap_diffusive"] > 0.0, np.sqrt(0.25 * b["heap_tau_s"] / age).clip(0.2, 4.0), 1.0
        )
        gust = sum(
            np.sin(t_s / period_s + 1000.0 * b[name])
            for name, period_s in (("target", 41.0), ("bottom_share", 97.0), ("t_start", 233.0))
        )
        rate[_HEAP] *= np.maximum(1.0 + b["heap_gusts"] * gust, 0.1)
        rate = rate / np.where(flowing, 1.0, b["still_dissolve"])
        crowded = np.clip(1.0 - self.bottom / 330.0, 0.0, 1.0)
        gained = np.minimum(rate * crowded * STEP_S, self.mass)
        self.mass -= gained
        return np.asarray(gained)

    def _exchange(self, t_s: float, flowing: npt.NDArray[np.bool_]) -> None:
        """Swap water between the zones; `exchange_s` is the time constant of their difference.

        A plume that wanders carries now more and now less.
        """
        turn = np.sin(2.0 * np.pi * t_s / self.b["plume_s"])
        tau = self.b["exchange_s"] * np.exp(self.b["plume"] * turn)
        tau = tau * np.where(flowing, 1.0, self.b["still_factor"])
        mean = self.share * self.bottom + (1.0 - self.share) * self.top
        stay = np.exp(-STEP_S / tau)
        self.bottom = mean + (self.bottom - mean) * stay
        self.top = mean + (self.top - mean) * stay
