"""`brinewright alarm ack`, `shelve` and the other commands that people give about alarms."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.alarm_lookup import STATION, present_alarms, row_of, snapshots_of
from daemon.cli.command_client import reservoir_of, send, send_and_report
from daemon.cli.output import NOT_SO, USAGE, emit, fail, read_config
from daemon.mixing.alarm.alarm_state import UNACKNOWLEDGED_STATES
from daemon.mixing.alarm.catalogue import Scope
from daemon.printable import printable

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON

Name = Annotated[str, typer.Argument(help="Of the alarm, as 'alarm list' gives it.")]
Where = Annotated[str | None, typer.Option("--reservoir", help="Which, if there are several.")]
Reason = Annotated[str, typer.Option(help="Why, for the record.")]
ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]


def add_to(group: typer.Typer) -> None:
    """Add the verbs to their group."""
    for act in (ack, shelve, unshelve):
        group.command()(act)
    group.command(name="remove-from-service")(remove)
    group.command(name="return-to-service")(return_)


def ack(
    *,
    name: Annotated[str | None, typer.Argument(help="Of the alarm; or --all.")] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="All alarms, or all of one --reservoir.")
    ] = False,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Acknowledge an alarm: you know of it and act on it."""
    settings = read_config(config)
    if (name is None) != everything:
        fail("name one alarm, or give --all, and not both", USAGE)
    if name is not None:
        _send(settings, "alarm.acknowledge", name, reservoir, {}, as_json)
        return
    places = _unacknowledged(settings, reservoir)
    if not places:
        fail("there is nothing to acknowledge", NOT_SO)
    results = [send(settings, "alarm.acknowledge", place, {"all": True}) for place in places]
    ok = all(each.ok for each in results)
    reports = [
        {"reservoir": each.reservoir, "ok": each.ok, "answer": each.answer} for each in results
    ]
    text = "\n".join(printable(f"{each.reservoir or STATION}: {each.answer}") for each in results)
    emit({"ok": ok, "places": reports}, as_json=as_json, text=text)
    if not ok:
        raise SystemExit(NOT_SO)


def shelve(
    *,
    name: Name,
    reason: Reason,
    hours: Annotated[float | None, typer.Option(help="For how long, up to 72.")] = None,
    minutes: Annotated[float | None, typer.Option(help="For how long, instead of hours.")] = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Shelve an alarm for a time. It is unshelved afterwards."""
    settings = read_config(config)
    if (hours is None) == (minutes is None):
        fail("say for how long, with either --hours or --minutes", USAGE)
    arguments: dict[str, JSON] = {"hours": hours, "minutes": minutes, "reason": reason}
    _send(settings, "alarm.shelve", name, reservoir, arguments, as_json)


def unshelve(
    *, name: Name, reservoir: Where = None, config: ConfigPath = None, as_json: Json = False
) -> None:
    """Unshelve an alarm before its time has ended."""
    _send(read_config(config), "alarm.unshelve", name, reservoir, {}, as_json)


def remove(
    *,
    name: Name,
    reason: Reason,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Remove an alarm from service until it is returned."""
    settings = read_config(config)
    _send(settings, "alarm.remove-from-service", name, reservoir, {"reason": reason}, as_json)


def return_(
    *, name: Name, reservoir: Where = None, config: ConfigPath = None, as_json: Json = False
) -> None:
    """Return an alarm to service."""
    _send(read_config(config), "alarm.return-to-service", name, reservoir, {}, as_json)


def _send(
    config: Config,
    verb: str,
    name: str,
    reservoir: str | None,
    arguments: dict[str, JSON],
    as_json: bool,
) -> None:
    place = ""
    if row_of(config, name).scope is Scope.RESERVOIR:
        place = reservoir_of(config, reservoir)
    elif reservoir not in (None, STATION):
        fail(f"{name} is an alarm of the station; leave --reservoir out", USAGE)
    send_and_report(config, verb, place, {"name": name, **arguments}, as_json=as_json)


def _unacknowledged(config: Config, reservoir: str | None) -> list[str]:
    """Return the places that have something to acknowledge, the station itself first."""
    if reservoir not in (None, STATION):
        reservoir_of(config, reservoir)
    places = {
        each.place
        for each in present_alarms(config, snapshots_of(config))
        if each.state in UNACKNOWLEDGED_STATES and reservoir in (None, each.place or STATION)
    }
    return sorted(places)
