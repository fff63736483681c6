"""`brinewright plan`, `correct` and `change`: what to weigh and what to pour."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.output import NOT_SO, USAGE, emit, fail, read_config, table
from daemon.mixing import dosing, lots
from daemon.mixing.dosing import COMMON_YIELD, Dose

CAUTIONS = (
    "Start the pump and pour the salt slowly into the moving water, never water onto salt.",
    "Salt dust irritates eyes and lungs: air the room, wear gloves and eye protection.",
    "Let it mix until it is steady, measure, and only then correct.",
)

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
Lot = Annotated[str | None, typer.Option(help="Lot of salt whose yield is known.")]
Yield = Annotated[
    float | None, typer.Option("--yield", help="Grams of salt in one gram of mix, 0.5 to 1.")
]
Temperature = Annotated[float, typer.Option(help="Of the water when it is measured out, °C.")]
ConfigPath = Annotated[Path | None, typer.Option("--config", help="Where the lots are kept.")]
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
    """Work out the salt for a new batch.

    Exit 1 when it does not fit into the vessel.
    """
    used, source = _yield(lot, mix_yield, config)
    try:
        dose = dosing.plan(volume, target, used, temperature, heel_volume, heel_salinity)
        left_l = None if capacity is None else dosing.headroom_l(dose.final_volume_l, capacity)
    except ValueError as exc:
        fail(str(exc), USAGE)
    answer = _facts(dose) | {
        "mix_yield": used,
        "yield_source": source,
        "temperature_C": temperature,
        "heel_volume_l": heel_volume,
        "heel_salinity": heel_salinity,
        "capacity_l": capacity,
        "headroom_l": left_l,
    }
    rows = [
        ("weigh", f"{_grams(dose.salt_g)} of mix, yield {used:g} ({source})"),
        ("pour", _poured(dose, heel_volume, heel_salinity)),
        ("makes", _made(dose, temperature)),
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
    """Work out the salt or the purified water that takes a batch to its target."""
    used, source = _yield(lot, mix_yield, config)
    try:
        dose = dosing.correct(volume, salinity, target, used, temperature)
    except ValueError as exc:
        fail(str(exc), USAGE)
    answer = _facts(dose) | {
        "mix_yield": used,
        "yield_source": source,
        "temperature_C": temperature,
    }
    if dose.purified_water_l > 0:
        added = f"{dose.purified_water_l:.3g} L of purified water"
    else:
        added = f"{_grams(dose.salt_g)} of mix, yield {used:g} ({source})"
    advice = "Add most of it, about four fifths, let it mix, measure, and work it out again."
    rows = [("add", added), ("makes", _made(dose, temperature))]
    emit(answer, as_json=as_json, text=f"{table(rows)}\n\n{advice}")


def change(
    *,
    volume: Annotated[float, typer.Option(help="Water in the tank, litres.")],
    salinity: Annotated[float, typer.Option(help="Its salinity now, ppt.")],
    changed: Annotated[float, typer.Option(help="Taken out and put back, litres.")],
    new_salinity: Annotated[float, typer.Option(help="Salinity of the new water, ppt.")],
    temperature: Temperature = 25.0,
    as_json: Json = False,
) -> None:
    """Work out what a water change makes of a tank."""
    try:
        dose = dosing.change(volume, salinity, changed, new_salinity, temperature)
    except ValueError as exc:
        fail(str(exc), USAGE)
    answer = {
        "salinity": dose.salinity,
        "final_volume_l": dose.final_volume_l,
        "temperature_C": temperature,
    }
    rows = [("salinity", f"{salinity:g} -> {dose.salinity:.2f}"), ("volume", _litres(dose))]
    emit(answer, as_json=as_json, text=table(rows))


def _yield(lot: str | None, mix_yield: float | None, config: Path | None) -> tuple[float, str]:
    if lot is not None and mix_yield is not None:
        fail("--lot and --yield both say what the mix yields; give one of them", USAGE)
    if lot is not None:
        return _yield_of(lot, config)
    if mix_yield is not None:
        return mix_yield, "as given"
    return COMMON_YIELD, "common practice, no source"


def _yield_of(lot: str, config: Path | None) -> tuple[float, str]:
    """Return what a lot has shown to yield, and how sure that is."""
    from daemon.cli.lot import books

    known, t_s = books(read_config(config))
    if lot not in known:
        fail(f"there is no lot {lot!r}; known are {', '.join(known) or 'none'}", NOT_SO)
    found = lots.estimate(known[lot], t_s)
    seen = f" from {found.count} batches" if found.count else ""
    return round(found.value, 4), f"lot {lot}, ± {2 * found.u:.3f} (k=2), {found.basis}{seen}"


def _facts(dose: Dose) -> dict[str, object]:
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
