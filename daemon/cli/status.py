"""`brinewright status`: the present picture of every reservoir, from the journal."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
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
from daemon.config import Config
from daemon.entries import JSON, Flag, Follower, Phase
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.followers import followers, sentence
from daemon.journal.foreign import refuse_foreign
from daemon.journal.shapes import to_object
from daemon.local_time import CLOCK, SECOND, local_iso
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.station.chance_words import chance_words, without_chance
from daemon.mixing.station.last_reading import off_scale
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.steady import expected_now, steady_since
from daemon.reports.event_text import alarm_names

OLD_S = 60.0
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
        fail("nothing has been measured yet; start 'brinewright run'", NOT_SO)
    zone = settings.station.zone
    real_time = settings.station.rehearsal_speed <= 1.0
    if real_time:
        chosen = {name: _at_present(each) for name, each in chosen.items()}
    publishers = _publishers(settings)
    blocks = [_block(name, each, real_time, zone) for name, each in chosen.items()]
    if own is not None and (names := alarm_names(own)) != "none":
        blocks.append(table([("station", ""), ("alarms", names)]))
    if publishers:
        rows = [(one.name, sentence(one, COUNT_AT_MOST)) for one in publishers]
        blocks.append(table([("publishing to", ""), *rows]))
    answer = {
        "station": settings.station.name,
        "reservoirs": {name: to_object(each) for name, each in chosen.items()},
        "alarms": [] if own is None else [*own.alarms],
        "publishers": {one.name: _payload(one) for one in publishers},
    }
    emit(answer, as_json=as_json, text="\n\n".join(blocks))


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
    options = live.WatchOptions(
        reservoir.name, (low, high), until_ready, within_min, settings.station.zone
    )
    reader = journal_of(settings.journal.path)
    refuse_foreign(settings.journal.path)
    return live.watch(reader, options)


def _block(name: str, snapshot: ReservoirSnapshot, real_time: bool, zone: tzinfo) -> str:
    rows = [
        (name, str(snapshot.phase).replace("_", " ")),
        ("salinity", _salinity(snapshot)),
        ("temperature", _value(snapshot.temperature_C, "{:.2f} °C")),
        ("conductivity", _value(snapshot.conductivity_mS_cm, "{:.3f} mS/cm, as indicated")),
        ("quality", _quality(snapshot)),
        ("probes", _probes(snapshot)),
        ("batch", snapshot.batch or ""),
        ("released", _released(snapshot)),
        ("mixing over", chance_words(snapshot)),
        expected_now(snapshot, lambda moment: local_iso(moment, zone, CLOCK)),
        ("steady since", local_iso(steady_since(snapshot), zone, SECOND)),
        ("advice", snapshot.advice or ""),
        ("next due", _next_due(snapshot, zone)),
        ("alarms", alarm_names(snapshot)),
        ("as of", _as_of(snapshot.time, zone, real_time=real_time)),
    ]
    return table([row for row in rows if row[1]])


def _salinity(snapshot: ReservoirSnapshot) -> str:
    value, u, gravity = snapshot.salinity, snapshot.salinity_u, snapshot.specific_gravity
    if value is None or u is None:
        return "no value"
    note = off_scale(value)
    return f"{value:.2f} ± {2 * u:.2f} ppt (k=2){note}, specific gravity {gravity:.4f} (25/25 °C)"


def _released(snapshot: ReservoirSnapshot) -> str:
    """Return how long ago the water was released, and what is still to be checked."""
    ago = _value(snapshot.age_h, "{:.1f} h ago")
    if snapshot.phase is Phase.READY:
        return f"{ago}; {INDEPENDENT_CHECK}" if ago else INDEPENDENT_CHECK
    return f"{ago}; expired" if ago and snapshot.phase is Phase.STALE else ago


def _next_due(snapshot: ReservoirSnapshot, zone: tzinfo) -> str:
    if snapshot.start_by is None:
        return ""
    return f"{snapshot.due}: start by {local_iso(snapshot.start_by, zone)}"


def _quality(snapshot: ReservoirSnapshot) -> str:
    if snapshot.probe_health == Health.FUNCTION_CHECK:
        return "function check: the probe is out of the water for calibration"
    return Flag(snapshot.flag).name.lower().replace("_", " ")


def _probes(snapshot: ReservoirSnapshot) -> str:
    """Return the status of each probe, where one of them is not normal."""
    known = snapshot.probes_health
    if all(each == Health.NORMAL for each in known.values()):
        return ""
    return ", ".join(
        f"{name} {'normal' if each == Health.NORMAL else each}" for name, each in known.items()
    )


def _value(value: float | None, shape: str) -> str:
    return "" if value is None else shape.format(value)


def _at_present(snapshot: ReservoirSnapshot) -> ReservoirSnapshot:
    """Return a snapshot without what only a fresh one says: an old chance is none of now."""
    return without_chance(snapshot) if _age_s(snapshot.time) > OLD_S else snapshot


def _age_s(time: str) -> float:
    return (datetime.now(UTC) - datetime.fromisoformat(time)).total_seconds()


def _as_of(time: str, zone: tzinfo, *, real_time: bool) -> str:
    at = local_iso(time, zone, SECOND)
    age_s = _age_s(time)
    if real_time and age_s > OLD_S:
        return f"{at}, {age_s / 60:.0f} min ago: is the service running?"
    return at if real_time else f"{at}, of a rehearsal"
