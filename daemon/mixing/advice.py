"""What to do about a batch that is not, or not surely, within its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.dosing import CannotDose, correct
from daemon.mixing.seawater import OutOfRange
from daemon.mixing.uncertainty import acceptance_interval

if TYPE_CHECKING:
    from daemon.entries import JSON


@dataclass(frozen=True, slots=True)
class Vessel:
    """What a correction is reckoned with.

    Attributes:
        fill_l: Water in it, L.
        capacity_l: What it holds at the most, L.
        mix_yield: Grams of sea salt per gram of dry mix.
    """

    fill_l: float
    capacity_l: float
    mix_yield: float


def correction(salinity: float, target: float, vessel: Vessel) -> dict[str, JSON]:
    """Say in grams or litres how to bring steady water to the target.

    Args:
        salinity: Practical salinity of the water.
        target: Practical salinity wanted.
        vessel: What it is in.

    Returns:
        Facts of an advice: the sentence, `salt_g`, `water_l`, and whether it `fits`.
    """
    try:
        dose = correct(vessel.fill_l, salinity, target, vessel.mix_yield)
    except (OutOfRange, CannotDose) as exc:
        return {"advice": f"no correction can be reckoned: {exc}"}
    fits = dose.final_volume_l <= vessel.capacity_l
    if dose.salt_g > 0.0:
        text = (
            f"add {dose.salt_g:.0f} g of dry mix for {vessel.fill_l:g} L, slowly, to moving water"
        )
    else:
        text = f"add {dose.purified_water_l:.1f} L of purified water to {vessel.fill_l:g} L"
    if not fits:
        text += (
            f"; that makes {dose.final_volume_l:.0f} L and the vessel holds"
            f" {vessel.capacity_l:g} L, so draw some off first"
        )
    return {
        "advice": text,
        "salt_g": round(dose.salt_g, 1),
        "water_l": round(dose.purified_water_l, 2),
        "fits": fits,
    }


def undecided(
    probability: float | None, u: float, low: float, high: float, confidence: float
) -> str:
    """Say what would decide a batch that cannot be released or refused yet.

    Args:
        probability: That it is within the limits, 0 to 1; None where nobody knows.
        u: Standard uncertainty of its salinity.
        low: Lower limit, practical salinity.
        high: Upper limit, practical salinity.
        confidence: Probability that release needs.
    """
    known = "unknown probability" if probability is None else f"probability {probability:.2f}"
    start = f"within limits with {known}, release needs {confidence:g}: "
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
