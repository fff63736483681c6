"""`brinewright probe try [NAME]`: each probe and input over its own driver, and what is wrong."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.assembly import clock as clock_of
from daemon.cli.output import NOT_SO, OK, emit, print_text, read_config
from daemon.cli.probe_warm import warm
from daemon.cli.sentences import wrapped
from daemon.errors import InputError
from daemon.mixing.probe.likely_settings import Water
from daemon.probes.inventory import Places
from daemon.probes.inventory.holders import holders
from daemon.probes.line_section import LineSection
from daemon.probes.trial.judgement import Judgement, judge
from daemon.probes.trial.line_settings import line_findings
from daemon.probes.trial.runner import Subject, read_for, subjects

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import Sample

PERIODS = 4.0
LEAST_S = 10.0
"""Long enough for a driver to say that nothing answers; our own choice."""


def add_to(app: typer.Typer) -> None:
    """Add the verb to its group."""
    app.command(name="try")(try_probes)


def try_probes(
    probe: Annotated[
        str | None, typer.Argument(help="A probe or an input; all if left out.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(min=0.2, max=3600, help="How long to read each.")
    ] = None,
    water_ppt: Annotated[
        float | None,
        typer.Option(min=0, max=80, help="About what salinity the water at the probe has."),
    ] = None,
    search: Annotated[
        float, typer.Option(min=0, max=600, help="Seconds to try other speeds; 0 for none.")
    ] = 30.0,
    warmed: Annotated[
        bool,
        typer.Option("--warm", help="Lead through the test of compensation with a sample."),
    ] = False,
    config: Annotated[Path | None, typer.Option("--config", help="Configuration file.")] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one object, or one per line.")
    ] = False,
) -> None:
    """Read probes for a short while and say what seems wrong with their settings.

    The service must be stopped for what it has open. Nothing is recorded or changed. Ends with 1
    where something is wrong.
    """
    settings = read_config(config)
    chosen = subjects(settings, probe)
    if not chosen:
        names = ", ".join(dict.fromkeys(each.name for each in subjects(settings))) or "none"
        raise InputError(f"there is no probe or input {probe!r}; there are: {names}")
    if warmed:
        raise typer.Exit(warm(settings, chosen, as_json=as_json))
    judgements = _judgements(settings, chosen, seconds, water_ppt, search, as_json=as_json)
    answer = {"probes": [_facts(each) for each in judgements]}
    emit(answer, as_json=as_json, text="\n".join(map(_text, judgements)).rstrip())
    raise typer.Exit(OK if all(each.is_right for each in judgements) else NOT_SO)


def _judgements(
    settings: Config,
    chosen: list[Subject],
    seconds: float | None,
    water_ppt: float | None,
    search_s: float,
    *,
    as_json: bool,
) -> list[Judgement]:
    beside = {
        each.name: each for each in subjects(settings) if not each.reservoir and each not in chosen
    }
    needed = {getattr(each.section, "temperature_from", None) for each in chosen}
    together = [*chosen, *(each for name, each in beside.items() if name in needed)]
    for_s = seconds or max(LEAST_S, PERIODS * max(each.section.period_s for each in together))
    if not as_json:
        print_text(f"Reading {len(together)} for {for_s:g} s.\n")
    found = read_for(together, clock_of(settings), for_s)
    open_by = holders(Places().proc, os.getpid())
    judgements = []
    for each in chosen:
        water = Water(water_ppt, _target(settings, each))
        temperature = _beside(each, found)
        one = judge(each, found[each.words], water, open_by, temperature)
        judgements.append(_looked_into(each, one, search_s))
    return judgements


def _target(settings: Config, subject: Subject) -> float | None:
    named = [each for each in settings.reservoirs if each.name == subject.reservoir]
    return named[0].target_ppt if named else None


def _beside(subject: Subject, found: dict[str, list[Sample]]) -> float | None:
    """Return the newest temperature of the input that a probe names."""
    name = getattr(subject.section, "temperature_from", None)
    samples = found.get(f"input {name}", []) if name else []
    values = [each.temperature_C for each in samples if each.temperature_C is not None]
    return values[-1] if values else None


def _looked_into(subject: Subject, judgement: Judgement, search_s: float) -> Judgement:
    """Add what a line says that could not be read, if it is one of text and nobody holds it."""
    section = subject.section
    if judgement.readings or not isinstance(section, LineSection):
        return judgement
    if any("cannot be opened" in fault for fault in judgement.faults):
        return judgement
    more = line_findings(section, search_s)
    return judgement.with_findings(more) if more else judgement


def _facts(judgement: Judgement) -> dict[str, Any]:
    return {
        "name": judgement.words,
        "readings": judgement.readings,
        "conductivity_mS_cm": judgement.conductivity_mS_cm,
        "temperature_C": judgement.temperature_C,
        "pump": judgement.pump,
        "faults": list(judgement.faults),
        "findings": list(judgement.findings),
        "right": judgement.is_right,
    }


def _text(judgement: Judgement) -> str:
    values = []
    if judgement.conductivity_mS_cm is not None:
        values.append(f"{judgement.conductivity_mS_cm:.5g} mS/cm")
    if judgement.temperature_C is not None:
        values.append(f"{judgement.temperature_C:.2f} °C")
    if judgement.pump is not None:
        values.append("pump runs" if judgement.pump else "pump rests")
    came = f"{judgement.readings} readings" + (f", {', '.join(values)}" if values else "")
    lines = [f"{judgement.words}: {came}"]
    lines += [f"  FAULT  {each}" for each in judgement.faults]
    lines += [f"  LOOK   {each}" for each in judgement.findings]
    if judgement.is_right:
        lines.append(
            "  Nothing seems wrong. Whether its values are compensated, only --warm tells."
            if judgement.conductivity_mS_cm is not None
            else "  Nothing seems wrong."
        )
    return "\n".join(_line(line) for line in lines) + "\n"


def _line(line: str) -> str:
    return f"  {wrapped(line, ' ' * 9)}" if line.startswith(" ") else wrapped(line)
