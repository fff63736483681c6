"""`brinewright simulate`: the simulator, which is another program that we start; or a fleet."""

from __future__ import annotations

import importlib.util
import os
import sys

import typer

from daemon.cli.output import OK, UNAVAILABLE, fail

FLEET = "fleet"
"""The one word that is not the simulator's: its payloads are the service's own."""


def register(app: typer.Typer) -> None:
    """Add the verb to the command line; its words go to the simulator as they are."""
    app.command(
        context_settings={
            "allow_extra_args": True,
            "ignore_unknown_options": True,
            "help_option_names": [],
        },
    )(simulate)


def simulate(context: typer.Context) -> None:
    """Play or record a simulated reservoir, or publish as a fleet of stations."""
    if importlib.util.find_spec("simulators") is None:
        fail("the simulators are not installed; run from a full checkout", UNAVAILABLE)
    if context.args[:1] == [FLEET]:
        from daemon.cli.simulate_fleet import fleet_command

        left = fleet_command()(
            context.args[1:], prog_name="brinewright simulate fleet", standalone_mode=False
        )
        raise typer.Exit(left if isinstance(left, int) else OK)
    sys.stdout.flush()
    # Its usage names the command that was typed.
    os.environ["SIMULATORS_PROGRAM"] = "brinewright simulate"
    words = [sys.executable, "-m", "simulators", *context.args]
    os.execv(sys.executable, words)  # noqa: S606 - our own module, no shell
