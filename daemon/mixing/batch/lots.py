"""Lots of sea salt: what is left of each, and how much salt is really in it.

A salt mix is not all salt, and an open bag draws moisture.  Each released batch whose mix was
weighed gives the salt content of its lot; the estimate combines them, gives newer ones more
weight, and one bad weighing little.

The model: the salt content walks at random from day to day, each batch measures it with a
Student-t error, and before any batch there is the label or common practice.
The estimate is the mode, found by reweighting (iteratively reweighted least
squares for the t distribution; Lange, Little and Taylor, Robust Statistical
Modeling Using the t Distribution, J. Am. Stat. Assoc. 84 (1989) 881; cited
from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from statistics import median

from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.dosing import COMMON_YIELD, MASS_U_SHARE, MIN_YIELD, VOLUME_U_SHARE
from daemon.mixing.seawater.uncertainty import combine

COMMON_CONTENT_U = 0.03
"""Standard uncertainty of the salt content of a mix that has not been measured.

Source: none but common practice: mixes differ by several per cent.
"""

LABEL_U = 0.02
"""Standard uncertainty of a salt content computed from the label; common practice, no source."""

WALK_U_PER_ROOT_DAY = 0.002
"""How far the salt content of an open lot may wander, per square root of a day.

Source: none; an assumption that lets it lose about 1 % in a month.
"""

FLOOR_U = 0.004
"""Least standard uncertainty of the estimate.

The probe's calibration and the vessel's volume mark are the same in every
batch, so no number of batches averages their error away; 0.004 is 0.15 ppt of
a batch at 34, an ordinary calibration.
"""

FREEDOM = 3.0
"""Degrees of freedom of the t distribution: few, because bad weighings are not rare."""
WEIGHINGS_KEPT = 20
"""Weighings remembered of one lot; older ones no longer count for anything."""
ROUNDS = 50
SAME = 1e-10
DAY_S = 86_400.0
MAX_MASS_G = 1e7


@dataclass(slots=True)
class Weighing:
    """The salt content of a lot, measured by one released batch.

    Attributes:
        t_s: When it was released, s, on the station's own clock.
        mix_yield: Grams of sea salt per gram of mix, 0.5 to 1.
        u: Its standard uncertainty, above 0.
        batch: Id of the batch.
    """

    t_s: float
    mix_yield: float
    u: float
    batch: str

    def __post_init__(self) -> None:
        """Refuse values that no weighing can give.

        Raises:
            ValueError: The yield or its uncertainty leaves its range.
        """
        if not MIN_YIELD <= self.mix_yield <= 1.0:
            raise ValueError(
                f"batch {self.batch} shows a yield of {self.mix_yield:.3g}, outside"
                f" {MIN_YIELD:g} to 1: check the recorded mass, the volume and the salinity"
            )
        if not (0.0 < self.u < math.inf and math.isfinite(self.t_s)):
            raise ValueError(f"batch {self.batch} shows a yield without a usable uncertainty")


@dataclass(slots=True)
class Lot:
    """One lot of salt mix, by the name that its owner gave it; plain data.

    Attributes:
        name: The owner's word for it.
        number: Printed on the bag; empty when not recorded.
        bought_g: Mass bought, g; None when not recorded.
        left_g: Mass left, g; None when not recorded.
        opened_on: ISO date; None while closed or not recorded.
        label_yield: Grams of salt per gram of mix as the label has it, 0.5 to 1; None without.
        weighings: Of its batches, oldest first.
    """

    name: str
    number: str = ""
    bought_g: float | None = None
    left_g: float | None = None
    opened_on: str | None = None
    label_yield: float | None = None
    weighings: list[Weighing] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Refuse a lot that cannot be.

        Raises:
            ValueError: A value leaves its range; the text is a sentence.
        """
        if not self.name.strip():
            raise ValueError("a lot needs a name of your choosing")
        for what, grams in (("bought", self.bought_g), ("left", self.left_g)):
            if grams is not None:
                _check_mass(grams, f"the mass {what} of lot {self.name!r}")
        if self.bought_g is not None and self.left_g is not None and self.left_g > self.bought_g:
            raise ValueError(
                f"lot {self.name!r} cannot have {self.left_g:g} g left"
                f" of {self.bought_g:g} g bought"
            )
        if self.label_yield is not None and not MIN_YIELD <= self.label_yield <= 1.0:
            raise ValueError(
                f"the label's yield of lot {self.name!r}, {self.label_yield:g}, is outside"
                f" {MIN_YIELD:g} to 1 gram of salt per gram of mix"
            )
        self.opened_on = _iso_date(self.opened_on, self.name)


@dataclass(frozen=True, slots=True)
class SaltContent:
    """The estimated salt content of a lot.

    Attributes:
        value: Grams of sea salt per gram of mix.
        u: Its standard uncertainty.
        count: Batches that it was learned from.
        basis: "learned", "label" or "common practice".
    """

    value: float
    u: float
    count: int
    basis: str


def weighed(
    t_s: float,
    batch: str,
    salt_g: float,
    volume_l: float,
    salinity: float,
    salinity_u: float,
    before: float = 0.0,
    temperature_C: float = 25.0,
) -> Weighing:
    """Return the salt content of a lot that a batch gives, with its uncertainty.

    Args:
        t_s: When it was released, s, on the station's own clock.
        batch: Its id.
        salt_g: Mix that went in, g, as recorded.
        volume_l: Water in the vessel before the salt, litres.
        salinity: Practical salinity once mixed.
        salinity_u: Its standard uncertainty.
        before: Practical salinity of the water before the salt.
        temperature_C: Of the water when its volume was read, °C.

    Raises:
        ValueError: An argument leaves its range, or the yield comes out impossible.
    """
    content = dosing.yield_of(volume_l, before, salinity, salt_g, temperature_C)

    def moved(salt_share: float = 0.0, volume_share: float = 0.0) -> float:
        volume, salt = volume_l * (1.0 + volume_share), salt_g * (1.0 + salt_share)
        return dosing.yield_of(volume, before, salinity, salt, temperature_C) - content

    # Salinity is nearly proportional to the salt in the water, so its share moves the yield alike.
    by_salinity = content * salinity_u / max(salinity - before, salinity_u, 1e-9)
    u = combine(by_salinity, moved(salt_share=MASS_U_SHARE), moved(volume_share=VOLUME_U_SHARE))
    return Weighing(t_s, content, u, batch)


def learn(lot: Lot, weighing: Weighing) -> None:
    """Add the weighing of a released batch; the same batch again replaces its former one.

    Args:
        lot: Changed in place.
        weighing: Of the batch.
    """
    others = [each for each in lot.weighings if each.batch != weighing.batch]
    lot.weighings = sorted([*others, weighing], key=lambda each: each.t_s)[-WEIGHINGS_KEPT:]


def estimate(lot: Lot, t_s: float) -> SaltContent:
    """Return the estimated salt content of the lot now.

    Args:
        lot: The lot.
        t_s: Now, s, on the clock of its weighings.
    """
    label = lot.label_yield
    prior, prior_u = (COMMON_YIELD, COMMON_CONTENT_U) if label is None else (label, LABEL_U)
    if not lot.weighings:
        return SaltContent(prior, prior_u, 0, "common practice" if label is None else "label")
    # From the plain median, which a bad weighing cannot carry off however sure it claims to be.
    value = median([prior, *(each.mix_yield for each in lot.weighings)])
    for _ in range(ROUNDS):
        last, (value, u) = value, _reweighted(lot.weighings, t_s, value, prior, prior_u)
        if abs(value - last) < SAME:
            break
    return SaltContent(min(value, 1.0), max(u, FLOOR_U), len(lot.weighings), "learned")


def dose_u(salinity: float, content: SaltContent, from_heel: float = 0.0) -> float:
    """Return the standard uncertainty that the salt content alone leaves in a planned salinity.

    The mass of mix and water being given, salinity is proportional to the salt
    that the mix brings, and that to the yield.

    Args:
        salinity: Practical salinity planned.
        content: The salt content of the plan.
        from_heel: The part of it that is there without any mix.
    """
    return abs(salinity - from_heel) * content.u / content.value


def take(lot: Lot, grams: float) -> None:
    """Count a mass as used; what is left never falls below nothing.

    Args:
        lot: Changed in place; without a mass left, nothing changes.
        grams: Mix taken, g, 0 or more.

    Raises:
        ValueError: The mass is negative or no number.
    """
    _check_mass(grams, f"the mass taken from lot {lot.name!r}")
    if lot.left_g is not None:
        lot.left_g = max(0.0, lot.left_g - grams)


def set_left(lot: Lot, grams: float) -> None:
    """Correct what is left, as after weighing the bag; more than was bought is taken as bought.

    Args:
        lot: Changed in place.
        grams: Mix left, g, 0 or more.

    Raises:
        ValueError: The mass is negative or no number.
    """
    _check_mass(grams, f"the mass left of lot {lot.name!r}")
    lot.left_g = grams
    if lot.bought_g is not None:
        lot.bought_g = max(lot.bought_g, grams)


def low(lot: Lot, needed_g: float) -> bool:
    """Return whether less is left than the next batch needs; False when that is not recorded."""
    _check_mass(needed_g, "the mass needed")
    return lot.left_g is not None and lot.left_g < needed_g


def _reweighted(
    weighings: list[Weighing], t_s: float, near: float, prior: float, prior_u: float
) -> tuple[float, float]:
    """Return the weighted mean and its uncertainty, each weighed by its distance from `near`."""
    total, mean = prior_u**-2, prior * prior_u**-2
    for each in weighings:
        age_days = max(t_s - each.t_s, 0.0) / DAY_S
        variance = each.u**2 + WALK_U_PER_ROOT_DAY**2 * age_days
        surprise = (each.mix_yield - near) ** 2 / variance
        weight = (FREEDOM + 1.0) / (FREEDOM + surprise) / variance
        total, mean = total + weight, mean + weight * each.mix_yield
    return mean / total, total**-0.5


def _check_mass(grams: float, what: str) -> None:
    if not 0.0 <= grams <= MAX_MASS_G:
        raise ValueError(f"{what}, {grams:g} g, is outside 0 to {MAX_MASS_G:g} g")


def _iso_date(text: str | None, name: str) -> str | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise ValueError(f"lot {name!r}: {text[:40]!r} is not a date such as 2026-03-02") from None
