"""`brinewright alarm`: the active ones, their meaning, what people do to them, who gets them."""

from __future__ import annotations

import typer

from daemon.cli import alarm_catalogue, alarm_commands, alarm_list, alarm_test

alarm = typer.Typer(help="See to alarms.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.add_typer(alarm, name="alarm")


alarm_list.add_to(alarm)
alarm_commands.add_to(alarm)
alarm_catalogue.add_to(alarm)
alarm_test.add_to(alarm)
