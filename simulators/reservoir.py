"""A mixing vessel in which no gram is made or lost.

Two zones of water, one of them around the probe, are exchanged by the pump.
Poured salt lies undissolved at first and goes into the far zone.  Each step is
the exact solution of dissolving and exchange, between two halves of what
changes the amount of water (Strang splitting), so that any step is stable.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, expm1

from simulators.seawater import (
    conductivity,
    density,
    mass_fraction_from_salinity,
    salinity_of,
    salt_in_purified_water,
)
from simulators.vessel import ReservoirError, SaltMix, Vessel

LONGEST_STEP_S = 1.0
QUIET_STEP_S = 10.0
QUIET_G = 1.0
HEAT_CAPACITY_J_PER_G_C = 4.18
_BARELY_WET_G = 1.0


@dataclass(slots=True)
class Grains:
    """Undissolved salt of one kind, with the water bound in it, g."""

    salt_g: float = 0.0
    bound_g: float = 0.0


@dataclass(slots=True)
class Zone:
    """Water and dissolved salt of one zone, g."""

    water_g: float = 0.0
    salt_g: float = 0.0


@dataclass(slots=True)
class _Stream:
    """Something that comes or goes at a steady rate for a while, g/s."""

    left_s: float
    water_g_s: float = 0.0
    salt_g_s: float = 0.0
    temperature_C: float = 0.0
    mix: SaltMix | None = None
    mix_g_s: float = 0.0
    drawn_g_s: float = 0.0


@dataclass(slots=True)
class Reservoir:
    """The state of the water, and what is being done to it.

    `advance` lets time pass; `fill`, `pour` and `draw` start something that
    takes its time; the rest is looking.
    """

    vessel: Vessel = field(default_factory=Vessel)
    temperature_C: float = 24.0
    pump: bool = True
    near: Zone = field(default_factory=Zone)
    far: Zone = field(default_factory=Zone)
    fast: Grains = field(default_factory=Grains)
    slow: Grains = field(default_factory=Grains)
    residue_g: float = 0.0
    evaporated_g: float = 0.0
    drawn: Zone = field(default_factory=Zone)
    heat_J_per_g: float = 0.0
    _streams: list[_Stream] = field(default_factory=list)

    @classmethod
    def holding(
        cls, litres: float, *, salinity: float, temperature_C: float, vessel: Vessel
    ) -> Reservoir:
        """Return a well-mixed vessel holding `litres` of water of this salinity."""
        made = cls(vessel=vessel, temperature_C=temperature_C)
        made._check_room(litres)
        solution_g = litres * density(salinity, temperature_C)
        salt_g = solution_g * mass_fraction_from_salinity(salinity) / 1000.0
        share = vessel.near_share
        made.near = Zone((solution_g - salt_g) * share, salt_g * share)
        made.far = Zone((solution_g - salt_g) * (1.0 - share), salt_g * (1.0 - share))
        return made

    def fill(
        self,
        litres: float,
        *,
        impurity_uS_cm: float = 0.0,
        temperature_C: float | None = None,
        over_s: float = 1.0,
    ) -> None:
        """Let `litres` of purified water run in over `over_s` seconds.

        Args:
            litres: At its own temperature, L, more than 0.
            impurity_uS_cm: Conductivity of that water at 25 °C, µS/cm.
            temperature_C: Its temperature; that of the reservoir when left out.
            over_s: How long it takes, s, more than 0.

        Raises:
            ReservoirError: It does not fit in.
        """
        self._check_amount("litres of water", litres, over_s)
        self._check_room(litres)
        at_C = self.temperature_C if temperature_C is None else temperature_C
        rate_g_s = litres * density(0.0, at_C) / over_s
        salt_g_s = rate_g_s * salt_in_purified_water(impurity_uS_cm) / 1000.0
        self._streams.append(
            _Stream(over_s, water_g_s=rate_g_s - salt_g_s, salt_g_s=salt_g_s, temperature_C=at_C)
        )

    def pour(self, mix_g: float, mix: SaltMix, *, over_s: float = 1.0) -> None:
        """Pour `mix_g` grams of `mix` over `over_s` seconds.

        Raises:
            ReservoirError: The amount or the time is not more than 0.
        """
        self._check_amount("grams of mix", mix_g, over_s)
        self.heat_J_per_g = mix.heat_J_per_g
        self._streams.append(_Stream(over_s, mix=mix, mix_g_s=mix_g / over_s))

    def draw(self, litres: float, *, over_s: float = 1.0) -> None:
        """Draw off `litres` of the solution, of both zones alike, over `over_s` seconds.

        Raises:
            ReservoirError: There is not that much in it.
        """
        self._check_amount("litres to draw", litres, over_s)
        if litres > self.volume_l():
            msg = (
                f"cannot draw {litres:g} L from the reservoir: it holds {self.volume_l():.1f} L; "
                "draw less"
            )
            raise ReservoirError(msg)
        drawn_g = litres * density(self.dissolved_salinity(), self.temperature_C)
        self._streams.append(_Stream(over_s, drawn_g_s=drawn_g / over_s))

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` seconds pass, in steps no longer than any stream runs."""
        left_s = dt_s
        while left_s > 0.0:
            longest_s = QUIET_STEP_S if self.quiet() else LONGEST_STEP_S
            step_s = min([left_s, longest_s, *(s.left_s for s in self._streams)])
            self._step(step_s)
            left_s -= step_s

    def quiet(self) -> bool:
        """Say whether nothing runs in or out and next to nothing is left to dissolve."""
        return not self._streams and self.undissolved_g() < QUIET_G

    def water_g(self) -> float:
        """Return all water, bound in undissolved crystals or not, g."""
        return self.near.water_g + self.far.water_g + self.fast.bound_g + self.slow.bound_g

    def salt_g(self) -> float:
        """Return all sea salt, dissolved or still to dissolve, g."""
        return self.near.salt_g + self.far.salt_g + self.fast.salt_g + self.slow.salt_g

    def undissolved_g(self) -> float:
        """Return the grams of sea salt still to dissolve."""
        return self.fast.salt_g + self.slow.salt_g

    def true_salinity(self) -> float:
        """Return the practical salinity when all that will dissolve has, well mixed."""
        return salinity_of(self.water_g(), self.salt_g())

    def dissolved_salinity(self) -> float:
        """Return the practical salinity of what is dissolved now, were it well mixed."""
        near, far = self.near, self.far
        return salinity_of(near.water_g + far.water_g, near.salt_g + far.salt_g)

    def salinity_at_probe(self) -> float:
        """Return the practical salinity of the zone around the probe."""
        return salinity_of(self.near.water_g, self.near.salt_g)

    def conductivity_at_probe(self) -> float:
        """Return the conductivity around the probe at the water's temperature, mS/cm."""
        return conductivity(self.salinity_at_probe(), self.temperature_C)

    def volume_l(self) -> float:
        """Return the volume of the solution, L."""
        near, far = self.near, self.far
        total_g = near.water_g + near.salt_g + far.water_g + far.salt_g
        return total_g / density(self.dissolved_salinity(), self.temperature_C)

    def _check_amount(self, what: str, amount: float, over_s: float) -> None:
        if not (amount > 0.0 and over_s > 0.0):
            msg = f"{what} and the seconds it takes must be more than 0, not {amount}, {over_s}"
            raise ReservoirError(msg)

    def _check_room(self, litres: float) -> None:
        coming_l = sum(s.water_g_s * s.left_s for s in self._streams) / density(
            0.0, self.temperature_C
        )
        if self.volume_l() + coming_l + litres > self.vessel.capacity_l:
            msg = (
                f"{litres:g} L more does not fit: the vessel holds {self.vessel.capacity_l:g} L "
                f"and has {self.volume_l() + coming_l:.1f} L in it; draw off first"
            )
            raise ReservoirError(msg)

    def _step(self, dt_s: float) -> None:
        self._change_water(dt_s / 2.0)
        self._dissolve_and_exchange(dt_s)
        self._change_water(dt_s / 2.0)
        for stream in self._streams:
            stream.left_s -= dt_s
        self._streams = [s for s in self._streams if s.left_s > 0.0]

    def _change_water(self, dt_s: float) -> None:
        """Let streams run, water go into the air, and heat go to the room."""
        for stream in self._streams:
            if stream.water_g_s:
                self._run_in(stream, dt_s)
            if stream.drawn_g_s:
                self._run_out(stream.drawn_g_s * dt_s)
        self._evaporate(self.vessel.evaporation_g_h * dt_s / 3600.0)
        gap_C = self.temperature_C - self.vessel.room_C
        self.temperature_C += gap_C * expm1(-dt_s / self.vessel.heat_time_s)
        self._level()

    def _run_in(self, stream: _Stream, dt_s: float) -> None:
        come_g = stream.water_g_s * dt_s
        held_g = self.near.water_g + self.far.water_g
        gap_C = stream.temperature_C - self.temperature_C
        self.temperature_C += gap_C * come_g / (held_g + come_g)
        self.far.water_g += come_g
        self.far.salt_g += stream.salt_g_s * dt_s

    def _run_out(self, wanted_g: float) -> None:
        near, far = self.near, self.far
        held_g = near.water_g + near.salt_g + far.water_g + far.salt_g
        share = min(1.0, wanted_g / held_g) if held_g > 0.0 else 0.0
        for zone in (near, far):
            water_g, salt_g = zone.water_g * share, zone.salt_g * share
            zone.water_g -= water_g
            zone.salt_g -= salt_g
            self.drawn.water_g += water_g
            self.drawn.salt_g += salt_g

    def _evaporate(self, wanted_g: float) -> None:
        lost_g = min(wanted_g, self.far.water_g)
        self.far.water_g -= lost_g
        self.evaporated_g += lost_g

    def _level(self) -> None:
        """Move solution over the border of the zones until their shares are right."""
        near, far = self.near, self.far
        short_g = self.vessel.near_share * (near.water_g + far.water_g) - near.water_g
        giver, taker = (far, near) if short_g > 0.0 else (near, far)
        if giver.water_g <= 0.0:
            return
        share = abs(short_g) / giver.water_g
        water_g, salt_g = giver.water_g * share, giver.salt_g * share
        giver.water_g -= water_g
        giver.salt_g -= salt_g
        taker.water_g += water_g
        taker.salt_g += salt_g

    def _dissolve_and_exchange(self, dt_s: float) -> None:
        fast_g_s, slow_g_s = self._land(dt_s)
        if self.near.water_g + self.far.water_g < _BARELY_WET_G:
            self.fast.salt_g += fast_g_s * dt_s
            self.slow.salt_g += slow_g_s * dt_s
            return
        vessel = self.vessel
        ease = 1.0 if self.pump else vessel.still_slowing
        flow_g_s = vessel.pumped_g_s if self.pump else vessel.still_g_s
        mixing = flow_g_s * (1.0 / self.near.water_g + 1.0 / self.far.water_g)
        gap = self.far.salt_g / self.far.water_g - self.near.salt_g / self.near.water_g
        gap *= exp(-mixing * dt_s)
        come_g = 0.0
        for grains, rate, landing in (
            (self.fast, ease / vessel.fast_s, fast_g_s),
            (self.slow, ease / vessel.slow_s, slow_g_s),
        ):
            felt_g = _felt(grains.salt_g, rate, landing, mixing, dt_s)
            gap += felt_g / self.far.water_g
            come_g += _dissolve(grains, rate, landing, dt_s)
        self._share_out(self.near.salt_g + self.far.salt_g + come_g, gap)
        self._release(ease, dt_s)
        held_g = self.near.water_g + self.far.water_g
        self.temperature_C += self.heat_J_per_g * come_g / (HEAT_CAPACITY_J_PER_G_C * held_g)

    def _land(self, dt_s: float) -> tuple[float, float]:
        """Let bound water and residue of pours arrive; return the salt of both kinds, g/s."""
        fast_g_s = slow_g_s = 0.0
        for stream in self._streams:
            mix = stream.mix
            if mix is None:
                continue
            salt_g_s = stream.mix_g_s * mix.salt_yield
            fast_g_s += salt_g_s * (1.0 - mix.slow_share)
            slow_g_s += salt_g_s * mix.slow_share
            bound_g = stream.mix_g_s * (1.0 - mix.salt_yield - mix.residue) * dt_s
            self.fast.bound_g += bound_g * (1.0 - mix.slow_share)
            self.slow.bound_g += bound_g * mix.slow_share
            self.residue_g += stream.mix_g_s * mix.residue * dt_s
        return fast_g_s, slow_g_s

    def _share_out(self, salt_g: float, gap: float) -> None:
        """Set the dissolved salt of both zones from its sum and the gap between them."""
        near_part = 1.0 / self.near.water_g
        far_part = 1.0 / self.far.water_g
        near_g = (salt_g * far_part - gap) / (near_part + far_part)
        self.near.salt_g = min(max(near_g, 0.0), salt_g)
        self.far.salt_g = salt_g - self.near.salt_g

    def _release(self, ease: float, dt_s: float) -> None:
        """Let the water bound in crystals go free as they dissolve."""
        for grains, time_s in ((self.fast, self.vessel.fast_s), (self.slow, self.vessel.slow_s)):
            freed_g = -grains.bound_g * expm1(-ease * dt_s / time_s)
            grains.bound_g -= freed_g
            self.far.water_g += freed_g


def _dissolve(grains: Grains, rate: float, landing_g_s: float, dt_s: float) -> float:
    """Let `grains` dissolve at first order while more land; return the grams dissolved."""
    before_g = grains.salt_g + landing_g_s * dt_s
    gone = -expm1(-rate * dt_s)
    grains.salt_g = min(before_g, grains.salt_g * (1.0 - gone) + landing_g_s / rate * gone)
    return before_g - grains.salt_g


def _felt(grains_g: float, rate: float, landing_g_s: float, mixing: float, dt_s: float) -> float:
    """Return what is left, in the gap between zones, of the salt dissolved in a step, g.

    The salt comes as (rate * grains - landing) * exp(-rate t) + landing and the
    gap fades as exp(-mixing t): the integral of one times the other.
    """
    fading = -expm1(-mixing * dt_s) / mixing if mixing > 0.0 else dt_s
    apart = abs(mixing - rate)
    # Written so that nothing overflows when one rate is huge.
    crossed = -expm1(-apart * dt_s) / apart if apart > 0.0 else dt_s
    crossed *= exp(-min(mixing, rate) * dt_s)
    return (rate * grains_g - landing_g_s) * crossed + landing_g_s * fading
