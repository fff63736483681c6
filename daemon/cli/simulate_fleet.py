"""`brinewright simulate fleet`: many stations' worth of publishing, to try a broker with."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.output import NOT_SO, UNAVAILABLE, USAGE, emit, fail, table
from daemon.config import Config, find_config, load
from daemon.fleet.configurations import named, provisioned
from daemon.fleet.figures import FleetFigures, SinkFigures
from daemon.fleet.simulation import Plan, simulate
from daemon.fleet.story import Step, story

MOST_STATIONS = 300
"""Of one process: the client library of MQTT watches files up to number 1023, three a station."""
PLAYED = ("plain-batch", "pump-stops", "unplugged")
"""Simulated stories with readings that come and do not, events of every phase, and alarms."""
PLAYED_ROWS = 1080
"""Of each; at a reading in two seconds enough for salt, a lost probe, an alarm and a release."""
DEFAULT_STATIONS = 10


def fleet_command() -> Any:  # noqa: ANN401 - typer does not publish the type of its commands
    """Return the command, for the verb that it belongs to."""
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    )
    app.command()(fleet)
    return typer.main.get_command(app)


def fleet(
    *,
    stations: Annotated[
        int | None,
        typer.Option(
            min=1, max=MOST_STATIONS, help="How many; 10, or all that --folder has, when left out."
        ),
    ] = None,
    skip: Annotated[
        int, typer.Option(min=0, help="Leave out so many first: more than 300 take several runs.")
    ] = 0,
    config: Annotated[
        Path | None, typer.Option(help="Configuration of each, under names that are made up.")
    ] = None,
    folder: Annotated[
        Path | None, typer.Option(help="Folder of provisioned stations, each with its account.")
    ] = None,
    observer: Annotated[
        Path | None,
        typer.Option(help="Configuration whose account at the broker may read everything."),
    ] = None,
    minutes: Annotated[float, typer.Option(min=0.01, help="So long.")] = 1.0,
    entries: Annotated[
        int, typer.Option(min=0, help="Or until there are so many, counted at each tenth second.")
    ] = 0,
    period: Annotated[
        float, typer.Option(min=0.1, max=60.0, help="Seconds between readings of a reservoir.")
    ] = 2.0,
    seed: Annotated[int, typer.Option(help="Of what is left to chance.")] = 1,
    database: Annotated[
        bool, typer.Option("--database", help="Write to the database of the configuration, too.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one line of JSON.")] = False,
) -> None:
    """Publish as so many stations, and say what arrived, how late, and what was lost.

    What is published is what the service makes of simulated readings. Nothing stays at the broker.
    """
    template = load(find_config(config)) if folder is None else None
    if template is not None:
        fleet = named(template, stations or DEFAULT_STATIONS, skip)
    elif folder is not None and observer is not None:
        fleet = provisioned(folder, stations, skip)
    else:
        fail("--folder needs --observer: no station's account may read what others publish", USAGE)
    if len(fleet) > MOST_STATIONS:
        fail(
            f"{folder} holds {len(fleet)} stations, and one run simulates {MOST_STATIONS}: give"
            " --stations, and --skip in another run",
            USAGE,
        )
    plan = Plan(
        stations=fleet,
        stories=[_story(each, seed, period, fleet[0]) for each in PLAYED],
        observer=load(observer) if observer is not None else fleet[0],
        period_s=period,
        seconds=60.0 * minutes,
        entries=entries,
        seed=seed,
        database=database,
    )
    # Ended by a service manager, too, it takes back what the broker retains of it.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    figures = simulate(plan, _say)
    emit(asdict(figures) | {"good": figures.good}, as_json=as_json, text=text_of(figures))
    if not figures.good:
        raise typer.Exit(NOT_SO)


def _say(sentence: str) -> None:
    print(f"brinewright: {sentence}", file=sys.stderr, flush=True)


def _story(name: str, seed: int, period_s: float, config: Config) -> tuple[Step, ...]:
    """Record a simulated story by the simulator, which is another program, and play it once."""
    hours = PLAYED_ROWS * period_s / 3600
    with tempfile.TemporaryDirectory(prefix="brinewright-") as place:
        path = Path(place) / f"{name}.csv"
        words = ["record", name, "--seed", str(seed), "--period", str(period_s), "--pump"]
        words += ["--hours", str(hours), "--out", str(path)]
        done = subprocess.run(  # noqa: S603 - our own module, no shell
            [sys.executable, "-m", "simulators", *words],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            fail(f"the simulator ended with {done.returncode}: {done.stderr.strip()}", UNAVAILABLE)
        return story(path, config)


def text_of(figures: FleetFigures) -> str:
    """Return the figures as a person reads them."""
    rows = [
        ("stations", f"{figures.stations}, for {figures.seconds:.0f} s"),
        ("stated rate", f"{figures.stated_per_s:g} readings a second"),
        ("entries made", f"{figures.entries}, readings and events"),
        *(row for each in figures.sinks for row in _rows_of(each)),
        ("lost", _count(figures.lost)),
        ("came twice", _count(figures.doubled)),
        ("this program", f"{figures.driver_cpu_s:.1f} s of processor time"),
        ("its own delay", f"{figures.driver_late_s:.2f} s at most"),
    ]
    return table(rows)


def _rows_of(each: SinkFigures) -> list[tuple[str, str]]:
    lags = (
        f"{_seconds(each.lag_median_s)} in the middle",
        f"{_seconds(each.lag_p99_s)} for 99 of 100",
        f"{_seconds(each.lag_longest_s)} at most",
        f"{_seconds(each.lag_latest_s)} at last",
    )
    rows = [
        (each.sink, f"{each.acknowledged} of {each.due} acknowledged, {each.waiting} wait"),
        (f"{each.sink} lag", ", ".join(lags)),
    ]
    if each.failures or each.refused:
        faults = f"{each.failures} failures, {each.refused} refused: {each.why}"
        rows.append((f"{each.sink} faults", faults))
    return rows


def _count(number: int | None) -> str:
    return "unknown" if number is None else str(number)


def _seconds(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.3f} s"
