"""What to do about a batch that is not, or not surely, within its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.cautions import SALT_DUST, SALT_SLOWLY
from daemon.mixing.events import AdviceGiven
from daemon.mixing.seawater.conformance import acceptance_interval
from daemon.mixing.seawater.dosing import CannotDose, correct
from daemon.mixing.seawater.properties import OutOfRange

if TYPE_CHECKING:
    from daemon.mixing.seawater.dosing import Dose


@dataclass(frozen=True, slots=True)
class Vessel:
    """What a correction is worked out with.

    Attributes:
        fill_l: Water in it, L.
        capacity_l: What it holds at the most, L.
        mix_yield: Grams of sea salt per gram of salt mix.
        estimated: Whether the water in it is estimated from what came and went.
    """

    fill_l: float
    capacity_l: float
    mix_yield: float
    estimated: bool = False


FIRST_SHARE = 0.8
"""Share of a correction that is added first, about four fifths: common practice, no source."""

ONE_STEP_PPT = 0.1
"""A correction that moves salinity by less is not split, ppt; our own choice.

The parts would be smaller than what the water of a tank differs by from place to place.
"""

EXACT_G, EXACT_L = 100.0, 10.0
"""From here on grams are shown whole, and litres with one digit: what scales and jugs show."""


def correction(salinity: float, target: float, vessel: Vessel) -> AdviceGiven:
    """Return in grams or litres, and in steps, how to bring steady water to the target.

    Args:
        salinity: Practical salinity of the water.
        target: Practical salinity to reach.
        vessel: What it is in.

    Returns:
        The sentence, the whole mass and volume, what of it is added first, and whether the
        vessel holds it; the sentence alone where no correction can be worked out.
    """
    try:
        dose = correct(vessel.fill_l, salinity, target, vessel.mix_yield)
    except (OutOfRange, CannotDose) as exc:
        return AdviceGiven(f"no correction can be reckoned: {exc}")
    fits = dose.final_volume_l <= vessel.capacity_l
    share = first_share(target - salinity)
    if fits:
        text = _in_steps(dose, share, vessel)
    else:
        text = (
            f"draw some off: {amount(dose, 1.0)} would make {dose.final_volume_l:.0f} L and the"
            f" vessel holds {vessel.capacity_l:g} L; then work out with 'brinewright correct' what"
            " is left needs"
        )
    return AdviceGiven(
        text,
        salt_g=round(dose.salt_g, 1),
        water_l=round(dose.purified_water_l, 2),
        first_salt_g=round(share * dose.salt_g, 1),
        first_water_l=round(share * dose.purified_water_l, 2),
        fits=fits,
    )


def first_share(moved_ppt: float) -> float:
    """Return what share of a correction is added before the water is judged again.

    Args:
        moved_ppt: How far the whole of it moves practical salinity.
    """
    return 1.0 if abs(moved_ppt) < ONE_STEP_PPT else FIRST_SHARE


def grams(mass_g: float) -> str:
    """Return a mass with the digits that a kitchen scale shows."""
    return f"{mass_g:.0f} g" if mass_g >= EXACT_G else f"{mass_g:.1f} g"


def litres(volume_l: float) -> str:
    """Return a volume with the digits that a jug shows."""
    return f"{volume_l:.1f} L" if volume_l >= EXACT_L else f"{volume_l:.2f} L"


def _in_steps(dose: Dose, share: float, vessel: Vessel) -> str:
    """Return what to add, in the order in which it is done, with the cautions of salt.

    It ends where "to reach 34 ppt" can follow.
    """
    water = f"about {litres(vessel.fill_l)} (estimated)" if vessel.estimated else None
    first = f"add {amount(dose, share)} to {water or f'{vessel.fill_l:g} L'}"
    how = f", {SALT_SLOWLY} ({SALT_DUST})" if dose.salt_g > 0.0 else ""
    if share == 1.0:
        return f"{first} in one step, as it is less than {ONE_STEP_PPT:g} ppt{how}"
    whole = grams(dose.salt_g) if dose.salt_g > 0.0 else litres(dose.purified_water_l)
    return (
        f"{first} first{how}; wait until it is steady and judged again; then the rest, {whole} in"
        " all"
    )


def amount(dose: Dose, share: float) -> str:
    """Return a share of a dose, of salt mix or of purified water, as a person measures it."""
    if dose.salt_g > 0.0:
        return f"{grams(share * dose.salt_g)} of salt mix"
    return f"{litres(share * dose.purified_water_l)} of purified water"


def undecided(
    probability: float | None, u: float, low: float, high: float, confidence: float
) -> str:
    """Return what would decide a batch that cannot be released or refused yet.

    Args:
        probability: That it is within the limits, 0 to 1; None where unknown.
        u: Standard uncertainty of its salinity.
        low: Lower limit, practical salinity.
        high: Upper limit, practical salinity.
        confidence: Probability that release needs.
    """
    probable = "unknown probability" if probability is None else f"probability {probability:.2f}"
    start = f"within limits with {probable}, release needs {confidence:g}: "
    provable = acceptance_interval(u, low, high, confidence)
    if provable is None:
        return (
            f"{start}with ± {2 * u:.2f} ppt (k=2) this probe cannot prove {low:g} to {high:g} ppt;"
            " calibrate it with two reference solutions, or widen the tolerance"
        )
    return (
        f"{start}bring it between {provable[0]:.2f} and {provable[1]:.2f} ppt, or calibrate the"
        " probe so that it proves more"
    )
