"""`brinewright salinity`: what a conductivity and a temperature mean."""

from __future__ import annotations

from typing import Annotated

import typer

from daemon.cli.output import USAGE, emit, fail, table
from daemon.mixing.seawater import (
    MAX_SALINITY,
    density_kg_m3,
    practical_salinity,
    specific_gravity,
)
from daemon.mixing.uncertainty import ProbeUncertainty, propagate, salinity_u
from daemon.wire.units import TO_MS_CM, conductivity_mS_cm


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
    """Convert conductivity to salinity, specific gravity and density."""
    try:
        answer = _answer(conductivity_mS_cm(conductivity, unit), temperature)
        if conductivity_u_percent is not None or temperature_u is not None:
            probe = ProbeUncertainty(conductivity_u_percent or 0.0, temperature_u or 0.0)
            answer |= _uncertainties(answer, probe)
    except ValueError as exc:
        fail(str(exc), USAGE)
    emit(answer, as_json=as_json, text=_text(answer))


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
    u = salinity_u(answer["conductivity_mS_cm"], temperature_C, probe)

    def density(salinity: float) -> float:
        return density_kg_m3(salinity, temperature_C)

    return {
        "salinity_u": u,
        "specific_gravity_u": propagate(specific_gravity, value, u, 0.0, MAX_SALINITY),
        "density_u_kg_m3": propagate(density, value, u, 0.0, MAX_SALINITY),
    }


def _text(answer: dict[str, float]) -> str:
    def spread(key: str, digits: int) -> str:
        return f" ± {answer[key]:.{digits}f}" if key in answer else ""

    gravity = f"{answer['specific_gravity']:.4f}{spread('specific_gravity_u', 4)}"
    density = f"{answer['density_kg_m3']:.2f}{spread('density_u_kg_m3', 2)}"
    digits = 2 if "salinity_u" in answer else 3
    rows = [
        (
            "practical salinity",
            f"{answer['salinity']:.{digits}f}{spread('salinity_u', 2)} (PSS-78)",
        ),
        ("specific gravity", f"{gravity} (25/25 °C)"),
        ("density", f"{density} kg/m3 at {answer['temperature_C']:g} °C"),
    ]
    if "salinity_u" in answer:
        rows.append(("±", "one standard uncertainty; twice it holds about 95 %"))
    return table(rows)
