"""`brinewright alarm`: how alarms reach people."""

from __future__ import annotations

import typer

from daemon.cli import alarm_test

alarm = typer.Typer(help="See to alarms.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.add_typer(alarm, name="alarm")


@alarm.callback()
def _alarm() -> None:
    """Keep the verbs behind their group, however few they are."""


alarm_test.add_to(alarm)
