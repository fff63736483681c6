"""`brinewright salinity`: what a conductivity and a temperature mean."""

from __future__ import annotations

from typing import Annotated

import typer

from daemon.cli.output import USAGE, emit, fail, table
from daemon.mixing.seawater.properties import (
    MAX_EXTRAPOLATED,
    density_kg_m3,
    practical_salinity,
    specific_gravity,
)
from daemon.mixing.seawater.uncertainty import (
    ProbeUncertainty,
    density_u_kg_m3,
    propagate,
    salinity_with_u,
)
from daemon.mixing.station.last_reading import off_scale
from daemon.wire.units import TO_MS_CM, conductivity_mS_cm

ONE_ALONE = (
    "{0} is needed too: without it ± would leave out what the {1} is uncertain by;"
    " 0 says that this is negligible"
)


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(salinity)


def salinity(
    *,
    conductivity: Annotated[
        float, typer.Option(help="At the water's own temperature, not compensated.")
    ],
    temperature: Annotated[float, typer.Option(help="Of the water, °C.")],
    unit: Annotated[str, typer.Option(help=f"One of {', '.join(TO_MS_CM)}.")] = "mS/cm",
    conductivity_u_percent: Annotated[
        float | None, typer.Option(help="Standard uncertainty of the conductivity, %.")
    ] = None,
    temperature_u: Annotated[
        float | None, typer.Option(help="Standard uncertainty of the temperature, °C.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Convert conductivity to salinity, specific gravity and density.

    With both standard uncertainties each answer has its own: ± (k = 2) in the
    text, standard uncertainties in JSON.
    """
    probe = _probe(conductivity_u_percent, temperature_u)
    try:
        answer = _answer(conductivity_mS_cm(conductivity, unit), temperature)
        if probe is not None:
            answer |= _uncertainties(answer, probe)
    except ValueError as exc:
        fail(str(exc), USAGE)
    emit(answer, as_json=as_json, text=_text(answer))


def _probe(
    conductivity_u_percent: float | None, temperature_u: float | None
) -> ProbeUncertainty | None:
    """Return what both uncertainties say; one alone would give a ± that lacks the other's part."""
    if conductivity_u_percent is None and temperature_u is None:
        return None
    if conductivity_u_percent is None:
        fail(ONE_ALONE.format("--conductivity-u-percent", "conductivity"), USAGE)
    if temperature_u is None:
        fail(ONE_ALONE.format("--temperature-u", "temperature"), USAGE)
    try:
        return ProbeUncertainty(conductivity_u_percent, temperature_u)
    except ValueError as exc:
        fail(str(exc), USAGE)


def _answer(conductivity_mS_cm: float, temperature_C: float) -> dict[str, float]:
    value = practical_salinity(conductivity_mS_cm, temperature_C)
    return {
        "conductivity_mS_cm": conductivity_mS_cm,
        "temperature_C": temperature_C,
        "salinity": value,
        "specific_gravity": specific_gravity(value),
        "density_kg_m3": density_kg_m3(value, temperature_C),
    }


def _uncertainties(answer: dict[str, float], probe: ProbeUncertainty) -> dict[str, float]:
    value, temperature_C = answer["salinity"], answer["temperature_C"]
    conductivity = answer["conductivity_mS_cm"]
    _, u = salinity_with_u(conductivity, temperature_C, probe)
    return {
        "salinity_u": u,
        "specific_gravity_u": propagate(specific_gravity, value, u, 0.0, MAX_EXTRAPOLATED),
        "density_u_kg_m3": density_u_kg_m3(conductivity, temperature_C, probe),
    }


def _text(answer: dict[str, float]) -> str:
    def spread(key: str, digits: int) -> str:
        return f" ± {2 * answer[key]:.{digits}f}" if key in answer else ""

    gravity = f"{answer['specific_gravity']:.4f}{spread('specific_gravity_u', 4)}"
    density = f"{answer['density_kg_m3']:.2f}{spread('density_u_kg_m3', 2)}"
    known = "salinity_u" in answer
    k = " (k=2)" if known else ""
    value = f"{answer['salinity']:.{2 if known else 3}f}{spread('salinity_u', 2)}"
    rows = [
        ("practical salinity", f"{value}{k} (PSS-78{off_scale(answer['salinity'])})"),
        ("specific gravity", f"{gravity}{k} (25/25 °C)"),
        ("density", f"{density} kg/m3{k} at {answer['temperature_C']:g} °C"),
    ]
    if known:
        rows.append(("±", "two standard uncertainties (k=2), which hold about 95 %"))
    return table(rows)
