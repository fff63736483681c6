"""`brinewright status`: the present picture of every reservoir, from the journal."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime, tzinfo
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.output import (
    NOT_SO,
    emit,
    fail,
    journal_of,
    read_config,
    table,
    warn,
)
from daemon.cli.status_age import ShownAge, shown_ages
from daemon.config import Config
from daemon.entries import JSON, Flag, Follower, Phase
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.followers import followers, sentence
from daemon.journal.foreign import refuse_foreign
from daemon.journal.freshness import OLD_PERIODS, silence_cause
from daemon.journal.input_faults import input_faults
from daemon.journal.shapes import to_object
from daemon.local_time import CLOCK, SECOND, local_iso
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.quality import in_words
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.station.chance_words import chance_words, without_chance
from daemon.mixing.station.last_reading import off_scale
from daemon.mixing.station.part_words import part_words
from daemon.mixing.station.question_words import question_rows
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.steady import expected_now, steady_since
from daemon.records.event_text import alarm_names

UNTIL_READY_MIN = 240.0
"""How long a batch is waited for; our own choice."""
COUNT_AT_MOST = 1_000_000
"""Entries that wait for a publisher are counted up to here, which takes a moment."""


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(status)


def status(
    *,
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    reservoir: Annotated[str | None, typer.Option(help="Only this one.")] = None,
    watch: Annotated[bool, typer.Option("--watch", help="Go on and show it live.")] = False,
    until_ready: Annotated[
        bool, typer.Option("--until-ready", help="With --watch: end when the batch is released.")
    ] = False,
    within: Annotated[
        float | None,
        typer.Option(
            help="With --watch: minutes of the station's time until it ends; "
            "240 with --until-ready.",
            show_default=False,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Show the present state of each reservoir."""
    settings = read_config(config)
    if watch:
        longest_min = UNTIL_READY_MIN if until_ready and within is None else within
        raise typer.Exit(_watch(settings, reservoir, until_ready, longest_min))
    reader = journal_of(settings.journal.path)
    snapshots, own = reader.snapshots(), reader.station_snapshot()
    if reservoir is not None and reservoir not in snapshots:
        fail(f"there is no reading of a reservoir {reservoir!r} yet", NOT_SO)
    chosen = {name: snapshots[name] for name in sorted(snapshots) if reservoir in (None, name)}
    if not chosen:
        why = silence_cause(settings.journal.path)
        fail(f"nothing has been measured yet; {why}", NOT_SO)
    zone = settings.station.zone
    ages = shown_ages(settings, chosen, _names(settings, chosen, reservoir))
    chosen = {name: _of_its_time(each, ages[name]) for name, each in chosen.items()}
    publishers = _publishers(settings)
    several = len(settings.reservoirs) > 1
    blocks = [
        _block(name, each, ages[name], zone, named=name if several else "")
        for name, each in chosen.items()
    ]
    blocks += [table([(name, each.why)]) for name, each in ages.items() if name not in chosen]
    if own is not None and (names := alarm_names(own)) != "none":
        blocks.append(table([("station", ""), ("alarms", names)]))
    failing = input_faults(reader, [each.name for each in settings.inputs])
    if failing:
        blocks.append(table([("inputs", "give no value"), *failing.items()]))
    if publishers:
        rows = [(one.name, sentence(one, COUNT_AT_MOST)) for one in publishers]
        blocks.append(table([("publishing to", ""), *rows]))
    answer = {
        "station": settings.station.name,
        "reservoirs": {name: to_object(each) for name, each in chosen.items()},
        "last_readings": {name: each.payload for name, each in ages.items()},
        "alarms": [] if own is None else [*own.alarms],
        "input_faults": {**failing},
        "publishers": {one.name: _payload(one) for one in publishers},
    }
    emit(answer, as_json=as_json, text="\n\n".join(blocks))
    configured = {each.name for each in settings.reservoirs}
    if any(each.why for name, each in ages.items() if name in configured or reservoir):
        raise SystemExit(NOT_SO)


def _names(settings: Config, chosen: Iterable[str], only: str | None) -> list[str]:
    """Return the reservoirs to be shown: also one with a probe that has not been read yet."""
    measured = [each.name for each in settings.reservoirs if each.probes and only is None]
    return [*dict.fromkeys([*chosen, *measured])]


def _publishers(settings: Config) -> tuple[Follower, ...]:
    from daemon.assembly import clock

    journal = settings.journal.path
    now = clock(settings).now()
    try:
        return followers(journal, cursors_path(journal), settings.publishers, now, COUNT_AT_MOST)
    except JournalError as exc:
        warn(str(exc))
        return ()


def _payload(one: Follower) -> dict[str, JSON]:
    payload = asdict(one)
    del payload["name"]
    return {
        key: _iso(value) if isinstance(value, datetime) else value for key, value in payload.items()
    }


def _iso(wall: datetime) -> str:
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _watch(settings: Config, name: str | None, until_ready: bool, within_min: float | None) -> int:
    from daemon.cli import watch as live

    chosen = [one for one in settings.reservoirs if name in (None, one.name)]
    if not chosen:
        fail(f"there is no reservoir {name!r} in the configuration", NOT_SO)
    reservoir = chosen[0]
    low = reservoir.target_ppt - reservoir.tolerance_ppt
    high = reservoir.target_ppt + reservoir.tolerance_ppt
    reader = journal_of(settings.journal.path)
    refuse_foreign(settings.journal.path)
    periods_s = (probe.period_s for probe in reservoir.probes)
    options = live.WatchOptions(
        reservoir.name,
        (low, high),
        until_ready,
        within_min,
        settings.station.zone,
        OLD_PERIODS * max(periods_s, default=0.0),
        lambda snapshot: shown_ages(settings, {reservoir.name: snapshot}, [reservoir.name])[
            reservoir.name
        ],
        partial(silence_cause, settings.journal.path),
        reservoir.name if len(settings.reservoirs) > 1 else "",
    )
    return live.watch(reader, options)


def _block(
    name: str, snapshot: ReservoirSnapshot, age: ShownAge, zone: tzinfo, *, named: str
) -> str:
    phase = str(snapshot.phase).replace("_", " ")
    rows = [
        (name, f"last known: {phase}" if age.why else phase),
        ("not of now", age.why),
        *question_rows(snapshot, lambda moment: local_iso(moment, zone, CLOCK), named),
        ("salinity", _salinity(snapshot)),
        ("temperature", _value(snapshot.temperature_C, "{:.2f} °C")),
        ("conductivity", _value(snapshot.conductivity_mS_cm, "{:.3f} mS/cm, as indicated")),
        ("quality", _quality(snapshot, age)),
        ("probes", _probes(snapshot)),
        ("batch", snapshot.batch or ""),
        ("released", _released(snapshot, age)),
        ("left", "" if age.why else _value(snapshot.volume_left_l, "about {:.0f} L")),
        ("mixing over", chance_words(snapshot)),
        _expected(snapshot, age, zone),
        ("steady since", local_iso(steady_since(snapshot), zone, SECOND)),
        ("advice", snapshot.advice or ""),
        ("next due", _next_due(snapshot, zone)),
        ("alarms", alarm_names(snapshot)),
        ("as of", _as_of(snapshot.time, age, zone)),
    ]
    return table([row for row in rows if row[1]])


def _expected(snapshot: ReservoirSnapshot, age: ShownAge, zone: tzinfo) -> tuple[str, str]:
    # What was forecast when measuring ended has not been judged since.
    if age.why:
        return "", ""
    return expected_now(snapshot, lambda moment: local_iso(moment, zone, CLOCK))


def _salinity(snapshot: ReservoirSnapshot) -> str:
    value, u, gravity = snapshot.salinity, snapshot.salinity_u, snapshot.specific_gravity
    if value is None or u is None:
        return "no value"
    note = off_scale(value)
    return f"{value:.2f} ± {2 * u:.2f} ppt (k=2){note}, specific gravity {gravity:.4f} (25/25 °C)"


def _released(snapshot: ReservoirSnapshot, age: ShownAge) -> str:
    """Return how long ago the water was released, and what is still to be checked."""
    if age.why:
        return _long_ago(snapshot, age)
    ago = _value(snapshot.age_h, "{:.1f} h ago")
    if snapshot.phase is Phase.READY:
        return f"{ago}; {INDEPENDENT_CHECK}" if ago else INDEPENDENT_CHECK
    return f"{ago}; expired" if ago and snapshot.phase is Phase.STALE else ago


def _long_ago(snapshot: ReservoirSnapshot, age: ShownAge) -> str:
    """Return how long ago the water was released that nobody has measured since."""
    if snapshot.age_h is None or age.seconds is None or age.seconds < 0:
        return ""
    return f"{snapshot.age_h + age.seconds / 3600.0:.1f} h ago; not measured since"


def _next_due(snapshot: ReservoirSnapshot, zone: tzinfo) -> str:
    if snapshot.start_by is None:
        return ""
    return f"{snapshot.due}: start by {local_iso(snapshot.start_by, zone)}"


def _quality(snapshot: ReservoirSnapshot, age: ShownAge) -> str:
    if snapshot.probe_health == Health.FUNCTION_CHECK:
        return "function check: the probe is out of the water for calibration"
    quality = Flag(snapshot.flag).name.lower().replace("_", " ")
    if snapshot.quality_figures:
        quality += f": {in_words(snapshot.quality_figures, snapshot.quality_figures)}"
    return f"{quality} at that time" if age.why else quality


def _probes(snapshot: ReservoirSnapshot) -> str:
    """Return what each of several probes reads, or the status of one that is not normal."""
    known = snapshot.probes_health
    if snapshot.probes:
        parts = (f"{name} {part_words(each)}" for name, each in snapshot.probes.items())
        return "; ".join(parts)
    if all(each == Health.NORMAL for each in known.values()):
        return ""
    return ", ".join(
        f"{name} {'normal' if each == Health.NORMAL else each}" for name, each in known.items()
    )


def _value(value: float | None, shape: str) -> str:
    return "" if value is None else shape.format(value)


def _of_its_time(snapshot: ReservoirSnapshot, age: ShownAge) -> ReservoirSnapshot:
    """Return a snapshot without what only a fresh one says: an old chance is none of now."""
    return without_chance(snapshot) if age.why else snapshot


def _as_of(time: str, age: ShownAge, zone: tzinfo) -> str:
    at = local_iso(time, zone, SECOND)
    then = age.words if age.seconds and age.seconds > 0 else ""
    return ", ".join(each for each in (at, then, "of a rehearsal" if age.rehearsal else "") if each)
