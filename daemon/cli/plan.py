"""`brinewright plan`, `correct` and `change`: what to weigh and what to pour."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.output import NOT_SO, USAGE, emit, fail, read_config, table
from daemon.mixing.batch import lots
from daemon.mixing.batch.advice import ONE_STEP_PPT, first_share
from daemon.mixing.batch.lots import SaltContent
from daemon.mixing.cautions import SUDDEN_CHANGE
from daemon.mixing.seawater import dosing, water_change
from daemon.mixing.seawater.dosing import COMMON_YIELD, Dose
from daemon.mixing.seawater.gravity_check import refuse_gravity
from daemon.mixing.seawater.properties import salt_g_kg

CAUTIONS = (
    "Start the pump and pour the salt slowly into the moving water, never water onto salt.",
    "Salt dust irritates eyes and lungs: air the room, wear gloves and eye protection.",
    "Let it mix until it is steady, measure, and only then correct.",
)

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
Lot = Annotated[str | None, typer.Option(help="Lot whose salt content is known.")]
Yield = Annotated[
    float | None,
    typer.Option("--yield", help="Salt content: grams of salt in one gram of mix, 0.5 to 1."),
]
Temperature = Annotated[float, typer.Option(help="Of the water when it is measured out, °C.")]
ConfigPath = Annotated[
    Path | None,
    typer.Option("--config", help="Configuration, for the lots."),
]
Target = Annotated[float, typer.Option(help="Salinity to reach, ppt (PSS-78).")]
Capacity = Annotated[float | None, typer.Option(help="What the vessel holds, litres.")]


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.command()(plan)
    app.command()(correct)
    app.command()(change)


def plan(
    *,
    volume: Annotated[
        float, typer.Option(help="Water in the vessel before the salt, heel included, litres.")
    ],
    target: Target,
    lot: Lot = None,
    mix_yield: Yield = None,
    config: ConfigPath = None,
    heel_volume: Annotated[
        float, typer.Option(help="Left in the vessel from the last batch, litres.")
    ] = 0.0,
    heel_salinity: Annotated[float, typer.Option(help="Salinity of the heel, ppt.")] = 0.0,
    temperature: Temperature = 25.0,
    capacity: Capacity = None,
    as_json: Json = False,
) -> None:
    """Compute the mass of mix for a new batch.

    Exit 1 when it does not fit into the vessel.
    """
    known, source = _yield(lot, mix_yield, config)
    used = known.value
    try:
        refuse_gravity(**{"--target": target, "--heel-salinity": heel_salinity})
        dose = dosing.plan(volume, target, used, temperature, heel_volume, heel_salinity)
        from_heel = _unsalted(dose, used)
        left_l = None if capacity is None else dosing.headroom_l(dose.final_volume_l, capacity)
    except ValueError as exc:
        fail(str(exc), USAGE)
    answer = _payload(dose) | {
        **_uncertainty(dose, known, from_heel),
        "yield_source": source,
        "temperature_C": temperature,
        "heel_volume_l": heel_volume,
        "heel_salinity": heel_salinity,
        "capacity_l": capacity,
        "headroom_l": left_l,
    }
    rows = [
        ("weigh", f"{_grams(dose.salt_g)} of mix, salt content {used:g} ({source})"),
        ("pour", _poured(dose, heel_volume, heel_salinity)),
        ("makes", _made(dose, temperature)),
        *_uncertainty_row(dose, known, from_heel),
        ("vessel", _vessel(dose, capacity, left_l)),
    ]
    emit(answer, as_json=as_json, text=f"{table(rows)}\n\n{_cautions(dose)}")
    if left_l is not None and left_l < 0:
        raise SystemExit(NOT_SO)


def correct(
    *,
    volume: Annotated[float, typer.Option(help="Water in the vessel, litres.")],
    salinity: Annotated[float, typer.Option(help="Its salinity now, ppt.")],
    target: Target,
    lot: Lot = None,
    mix_yield: Yield = None,
    config: ConfigPath = None,
    temperature: Temperature = 25.0,
    as_json: Json = False,
) -> None:
    """Compute what brings a batch to its target."""
    known, source = _yield(lot, mix_yield, config)
    used = known.value
    try:
        refuse_gravity(**{"--salinity": salinity, "--target": target})
        dose = dosing.correct(volume, salinity, target, used, temperature)
        before = _unsalted(dose, used)
    except ValueError as exc:
        fail(str(exc), USAGE)
    answer = _payload(dose) | {
        **_uncertainty(dose, known, before),
        "yield_source": source,
        "temperature_C": temperature,
    }
    share = first_share(target - salinity)
    answer |= {
        "first_salt_g": share * dose.salt_g,
        "first_water_l": share * dose.purified_water_l,
    }
    salted = dose.salt_g > 0
    if salted:
        added = f"{_grams(dose.salt_g)} of mix, salt content {used:g} ({source})"
    else:
        added = f"{dose.purified_water_l:.3g} L of purified water"
    rows = [
        ("in all", added),
        ("makes", _made(dose, temperature)),
        *_uncertainty_row(dose, known, before),
    ]
    steps = [*(CAUTIONS[:2] if salted else ()), *_steps(dose, share)]
    cautions = table(("-", each) for each in steps)
    emit(answer, as_json=as_json, text=f"{table(rows)}\n\n{cautions}")


def _steps(dose: Dose, share: float) -> list[str]:
    """Return in which steps a correction is made."""
    if share == 1.0:
        return [f"Add it in one step, as it is less than {ONE_STEP_PPT:g} ppt, and measure again."]
    if dose.salt_g > 0:
        first = f"{_grams(share * dose.salt_g)} of salt mix"
    else:
        first = f"{share * dose.purified_water_l:.3g} L of purified water"
    return [
        f"Add first {first}, about four fifths (common practice, no source).",
        "Then wait until it is steady, measure, and work out the rest again.",
    ]


def change(
    *,
    volume: Annotated[float, typer.Option(help="Water in the tank, litres.")],
    salinity: Annotated[float, typer.Option(help="Its salinity now, ppt.")],
    changed: Annotated[float, typer.Option(help="Replaced by new water, litres.")],
    new_salinity: Annotated[float, typer.Option(help="Salinity of the new water, ppt.")],
    to: Annotated[
        float | None, typer.Option(help="Salinity to reach by as many such changes as it takes.")
    ] = None,
    temperature: Temperature = 25.0,
    as_json: Json = False,
) -> None:
    """Compute what water changes do to the salinity of a tank."""
    steps: list[float] = []
    once_l: float | None = None
    try:
        refuse_gravity(**{"--salinity": salinity, "--new-salinity": new_salinity, "--to": to})
        dose = dosing.change(volume, salinity, changed, new_salinity, temperature)
        if to is not None:
            steps = water_change.changes_to(
                volume, salinity, to, changed, new_salinity, temperature
            )
            once_l = water_change.change_to(volume, salinity, to, new_salinity, temperature)
    except ValueError as exc:
        fail(str(exc), USAGE)
    moved, most = dose.salinity - salinity, water_change.CAUTIOUS_PPT_PER_DAY
    answer: dict[str, object] = {
        "salinity": dose.salinity,
        "final_volume_l": dose.final_volume_l,
        "temperature_C": temperature,
        "moved_ppt": moved,
        "cautious_ppt_per_day": most,
        "days": _days(moved),
    }
    rows = [
        ("salinity", f"{salinity:g} -> {dose.salinity:.2f}"),
        ("volume", _litres(dose)),
        ("rate", _rate(moved)),
        *_sudden(changed, volume),
    ]
    if to is not None and once_l is not None:
        days = max(len(steps), _days(to - salinity))
        answer |= {"to": to, "changes": len(steps), "steps": steps, "once_l": once_l, "days": days}
        rows += [("changes", _changes(steps, changed, to)), ("or", _once(once_l, salinity, to))]
        if not _sudden(changed, volume):
            rows += _sudden(once_l or 0.0, volume)
    emit(answer, as_json=as_json, text=table(rows))


def _days(moved: float) -> int:
    """Return the days over which a tank may be moved so far; one at least."""
    # A last digit more than a day's worth is a day's worth.
    return max(1, math.ceil(abs(moved) / water_change.CAUTIOUS_PPT_PER_DAY - 1e-9))


def _rate(moved: float) -> str:
    most = water_change.CAUTIOUS_PPT_PER_DAY
    habit = f"{most:g} ppt per day (common practice, from memory)"
    if _days(moved) == 1:
        return f"{moved:+.2f} ppt; with one such change a day within {habit}"
    return (
        f"{moved:+.2f} ppt; more than {habit}: for animals spread it over {_days(moved)} days"
        " or more, by smaller changes"
    )


def _sudden(changed_l: float, volume_l: float) -> list[tuple[str, str]]:
    """Return what a large change at once does to animals; nothing for a small one."""
    if changed_l <= water_change.LARGE_SHARE * volume_l:
        return []
    text = (
        f"{changed_l:.4g} L are more than a third of the tank (common practice, no source):"
        f" {SUDDEN_CHANGE}; make several smaller changes, with water of the tank's temperature"
    )
    return [("caution", text)]


def _changes(steps: list[float], changed_l: float, to: float) -> str:
    if not steps:
        return f"none; the tank is at {to:g}"
    return f"{len(steps)} of {changed_l:g} L reach {to:g}; the last makes {steps[-1]:.2f}"


def _once(once_l: float, salinity: float, to: float) -> str:
    days = _days(to - salinity)
    spread = "" if days == 1 else f"; with animals, spread it over {days} days or more"
    return f"{once_l:.4g} L changed at once{spread}"


def _yield(
    lot: str | None, mix_yield: float | None, config: Path | None
) -> tuple[SaltContent, str]:
    if lot is not None and mix_yield is not None:
        fail("--lot and --yield both give the salt content of the mix; give one of them", USAGE)
    if lot is not None:
        return _yield_of(lot, config)
    if mix_yield is not None:
        return SaltContent(mix_yield, 0.0, 0, "as given"), "as given"
    common = SaltContent(COMMON_YIELD, lots.COMMON_CONTENT_U, 0, "common practice")
    return common, "common practice, no source"


def _yield_of(lot: str, config: Path | None) -> tuple[SaltContent, str]:
    """Return the salt content of a lot by its batches, with its uncertainty."""
    from daemon.cli.lot import recorded_lots

    known, t_s = recorded_lots(read_config(config))
    if lot not in known:
        fail(f"there is no lot {lot!r}; known are {', '.join(known) or 'none'}", NOT_SO)
    estimate = lots.estimate(known[lot], t_s)
    batches = f" from {estimate.count} batches" if estimate.count else ""
    estimate = replace(estimate, value=round(estimate.value, 4))
    return estimate, f"lot {lot}, ± {2 * estimate.u:.3f} (k=2), {estimate.basis}{batches}"


def _unsalted(dose: Dose, mix_yield: float) -> float:
    """Return the practical salinity of what was made had no mix gone in."""
    mass_g = 1000.0 * dose.final_mass_kg
    salt_g = mass_g * salt_g_kg(dose.salinity) / 1000.0 - mix_yield * dose.salt_g
    return max(dosing.Water(mass_g - dose.salt_g, salt_g).salinity, 0.0)


def _uncertainty(dose: Dose, known: SaltContent, before: float) -> dict[str, object]:
    """Return the salt content, and what its uncertainty leaves in the salinity where it has one."""
    given = known.basis == "as given"
    return {
        "mix_yield": known.value,
        "mix_yield_u": None if given else known.u,
        "salinity_u": None if given else lots.dose_u(dose.salinity, known, before),
    }


def _uncertainty_row(dose: Dose, known: SaltContent, before: float) -> list[tuple[str, str]]:
    if known.basis == "as given" or dose.salt_g <= 0:
        return []
    spread = 2 * lots.dose_u(dose.salinity, known, before)
    return [
        (
            "uncertainty",
            f"± {spread:.2f} ppt (k=2) from the salt content alone; measure it once mixed",
        )
    ]


def _payload(dose: Dose) -> dict[str, object]:
    return {
        "salt_g": dose.salt_g,
        "purified_water_l": dose.purified_water_l,
        "salinity": dose.salinity,
        "final_volume_l": dose.final_volume_l,
        "final_mass_kg": dose.final_mass_kg,
    }


def _grams(mass_g: float) -> str:
    return f"{mass_g:.0f} g" if mass_g >= 100 else f"{mass_g:.1f} g"  # noqa: PLR2004 - a scale's digits


def _litres(dose: Dose) -> str:
    return f"{dose.final_volume_l:.4g} L"


def _poured(dose: Dose, heel_volume_l: float, heel_salinity: float) -> str:
    poured = f"{dose.purified_water_l:g} L of purified water"
    if heel_volume_l > 0:
        return f"{poured} onto {heel_volume_l:g} L of heel at {heel_salinity:g}"
    return poured


def _made(dose: Dose, temperature_C: float) -> str:
    return (
        f"{_litres(dose)} of salinity {dose.salinity:.2f} at {temperature_C:g} °C,"
        f" {dose.final_mass_kg:.4g} kg"
    )


def _vessel(dose: Dose, capacity_l: float | None, left_l: float | None) -> str:
    roomy_l = dosing.ROOMY * dose.final_volume_l
    advised = f"one of about {roomy_l:.3g} L, twice the batch, leaves room to stir and correct"
    if capacity_l is None or left_l is None:
        return f"{advised} (common practice)"
    if left_l < 0:
        return f"{capacity_l:g} L is too small: {-left_l:.3g} L would run over; {advised}"
    if capacity_l < roomy_l:
        return f"{capacity_l:g} L holds it with {left_l:.3g} L to spare; {advised}"
    return f"{capacity_l:g} L holds it with {left_l:.3g} L to spare, room enough to correct"


def _cautions(dose: Dose) -> str:
    weight = (
        f"The water alone will weigh {dose.final_mass_kg:.0f} kg: check floor and stand, and do not"
        " lift a full vessel."
    )
    return table(("-", caution) for caution in (*CAUTIONS[:2], weight, *CAUTIONS[2:]))
