"""`brinewright alarm list` and `show`: the alarms that are not normal, and all about one."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.alarm_lookup import STATION, PresentAlarm, present_alarms, row_of, snapshots_of
from daemon.cli.output import (
    NOT_SO,
    emit,
    fail,
    journal_of,
    read_config,
    table,
    warn,
)
from daemon.entries import Event
from daemon.journal.payloads import event_payload
from daemon.journal.shapes import to_object
from daemon.local_time import local_iso
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.catalogue import Priority
from daemon.mixing.events import AlarmChanged
from daemon.mixing.station.snapshot import StationSnapshot
from daemon.records.event_text import listing

if TYPE_CHECKING:
    from daemon.cli.alarm_lookup import Snapshots
    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.mixing.alarm.catalogue import AlarmKind

OLD_S = 120.0
NEWEST = 20
URGENCY = [*map(str, Priority)]
ORDER = [
    LifecycleState.UNACKNOWLEDGED,
    LifecycleState.ACKNOWLEDGED,
    LifecycleState.RETURNED_UNACKNOWLEDGED,
    LifecycleState.SHELVED,
    LifecycleState.OUT_OF_SERVICE,
    LifecycleState.SUPPRESSED_BY_DESIGN,
]
SUPPRESSED_STATES = (
    LifecycleState.SHELVED,
    LifecycleState.OUT_OF_SERVICE,
    LifecycleState.SUPPRESSED_BY_DESIGN,
)

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]


def add_to(group: typer.Typer) -> None:
    """Add the verbs to their group."""
    group.command(name="list")(list_)
    group.command()(show)


def list_(
    *,
    reservoir: Annotated[
        str | None, typer.Option(help="Only this one, or 'station' for the station's own.")
    ] = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """List alarms that need action. Those shelved or suppressed come last."""
    settings = read_config(config)
    names = [STATION, *(each.name for each in settings.reservoirs)]
    if reservoir is not None and reservoir not in names:
        fail(f"there is no reservoir {reservoir!r}; there are {', '.join(names)}", NOT_SO)
    snapshots = snapshots_of(settings)
    if not snapshots:
        fail("nothing has been measured yet; start 'brinewright run'", NOT_SO)
    alarms = sorted(
        (each for each in present_alarms(settings, snapshots) if reservoir in (None, _place(each))),
        key=_urgency,
    )
    own = snapshots.get("")
    flood = isinstance(own, StationSnapshot) and own.alarm_flood
    answer = {
        "station": settings.station.name,
        "flood": flood,
        "alarms": [_payload(each) for each in alarms],
    }
    _warn_if_old(settings, snapshots)
    emit(answer, as_json=as_json, text=_text(alarms, settings.station.zone, flood=flood))


def show(
    *,
    name: Annotated[str, typer.Argument(help="Of the alarm, as 'alarm list' gives it.")],
    limit: Annotated[int, typer.Option(help="So many of the last events.", min=0)] = NEWEST,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Show what an alarm means, its state, and its history."""
    settings = read_config(config)
    row = row_of(settings, name)
    now = [
        each for each in present_alarms(settings, snapshots_of(settings)) if each.row.name == name
    ]
    past = _history(settings, name)[-limit:] if limit else []
    answer = {
        **described(row),
        "present": [_payload(each) for each in now],
        "history": [event_payload(each) for each in past],
    }
    zone = settings.station.zone
    rows = [*rows_of(row), *((_place(each), _now(each, zone)) for each in now)]
    if not now:
        rows.append(("now", "normal"))
    lines = [listing(each, zone, where=_where(each)) for each in past]
    emit(answer, as_json=as_json, text="\n".join([table(rows), *([""] if lines else []), *lines]))


def described(row: AlarmKind) -> dict[str, JSON]:
    """Return a row of the catalogue, JSON-able."""
    return {
        "name": row.name,
        "scope": str(row.scope),
        "priority": str(row.priority),
        "means": row.means,
        "causes": [*row.causes],
        "do": row.do,
        "consequence": row.consequence,
        "harm": str(row.harm),
        "respond_within_h": row.respond_within_h,
        "on_delay_s": row.on_delay_s,
        "off_delay_s": row.off_delay_s,
        "deadband": row.deadband,
        "deadband_unit": row.deadband_unit or None,
        "suppressed_while": [*row.suppressed_while],
        "yields_to": [*row.yields_to],
    }


def rows_of(row: AlarmKind) -> list[tuple[str, str]]:
    """Return a row of the catalogue as rows of a table."""
    back = "" if row.deadband is None else f", back by {row.deadband:g} {row.deadband_unit}"
    delays = f"after {row.on_delay_s:g} s, gone after {row.off_delay_s:g} s{back}"
    suppressed = [f"while {each}" for each in row.suppressed_while]
    suppressed += [f"while {each} is active" for each in row.yields_to]
    rows = [
        (row.name, row.means),
        ("priority", f"{row.priority}: {row.harm} harm, {row.respond_within_h:g} h to respond"),
        ("do", row.do),
        ("else", row.consequence),
        ("causes", "; ".join(row.causes)),
        ("raised", delays),
    ]
    return rows + ([("suppressed", ", ".join(suppressed))] if suppressed else [])


def _history(config: Config, name: str) -> list[Event]:
    return [
        event
        for _, event in journal_of(config.journal.path).alarms()
        if isinstance(event.body, AlarmChanged) and event.body.name == name
    ]


def _text(alarms: list[PresentAlarm], zone: tzinfo, *, flood: bool) -> str:
    head = ["A flood of alarms is on: look for one cause of all.", ""] if flood else []
    needing = [each for each in alarms if each.state not in SUPPRESSED_STATES]
    away = [each for each in alarms if each.state in SUPPRESSED_STATES]
    if not needing:
        head.append("No alarm is active.")
    blocks = [_block(each, zone) for each in needing]
    if away:
        rows = [(f"{_place(each)} {each.row.name}", _now(each, zone)) for each in away]
        blocks.append(f"shelved, suppressed or out of service:\n{table(rows)}")
    return "\n".join(head + ["\n\n".join(blocks)] * bool(blocks))


def _block(each: PresentAlarm, zone: tzinfo) -> str:
    """Return an alarm for a person: how urgent and where, why, and what to do."""
    priority = str(each.row.priority)
    mark = priority.upper() if each.row.priority is Priority.HIGH else priority
    rows = [
        (mark, f"{_place(each)} {each.row.name}: {_state(each, zone)}"),
        ("why" if each.alarm.active else "was", each.alarm.why or each.row.means),
        ("do", each.row.do if each.alarm.active else "acknowledge it; it has cleared"),
    ]
    return table([(head.ljust(len(Priority.MEDIUM)), text) for head, text in rows])


def _now(each: PresentAlarm, zone: tzinfo) -> str:
    reason = each.alarm.reason or each.alarm.why
    return f"{_state(each, zone)}{': ' if reason else ''}{reason}"


def _state(each: PresentAlarm, zone: tzinfo) -> str:
    who, until = each.alarm.who, each.alarm.until
    raised, since = each.alarm.raised_at, local_iso(each.alarm.since, zone)
    state = LifecycleState(each.state).value.replace("-", " ")
    began = each.state not in SUPPRESSED_STATES and raised is not None
    return (
        f"{state}{f' by {who}' if who else ''}"
        f"{f', raised {local_iso(raised, zone)}' if began else f' since {since}'}"
        f"{f' until {local_iso(until, zone)}' if until else ''}"
        f"{', repeating' if each.alarm.repeating else ''}"
    )


def _urgency(each: PresentAlarm) -> tuple[int, int, str]:
    """Order by whether it needs action, then by priority, then by age."""
    priority = URGENCY.index(str(each.row.priority))
    state = ORDER.index(LifecycleState(each.state))
    return (
        (state >= ORDER.index(LifecycleState.SHELVED)) * 10 + priority,
        state,
        each.alarm.since,
    )


def _payload(each: PresentAlarm) -> dict[str, JSON]:
    return {
        "reservoir": each.place,
        "name": each.row.name,
        **to_object(each.alarm),
        "priority": str(each.row.priority),
        "means": each.row.means,
        "do": each.row.do,
    }


def _place(each: PresentAlarm) -> str:
    return each.place or STATION


def _where(event: Event) -> str:
    return f" [{event.reservoir or STATION}]"


def _warn_if_old(config: Config, snapshots: Snapshots) -> None:
    """Warn where the newest snapshot is old."""
    newest = max(each.time for each in snapshots.values())
    age_s = (datetime.now(UTC) - datetime.fromisoformat(newest)).total_seconds()
    if config.station.rehearsal_speed <= 1.0 and age_s > OLD_S:
        at = local_iso(newest, config.station.zone)
        warn(f"this is of {at}, {age_s / 60:.0f} min ago: is the service running?")
