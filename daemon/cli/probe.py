"""`brinewright probe`: find what is connected, listen to it, try what is configured, draft."""

from __future__ import annotations

import typer

from daemon.cli import probe_draft, probe_find, probe_listen, probe_try

probe = typer.Typer(
    help="Find a probe, listen to it, try its settings, draft its section.", no_args_is_help=True
)


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.add_typer(probe, name="probe")


probe_find.add_to(probe)
probe_listen.add_to(probe)
probe_try.add_to(probe)
probe_draft.add_to(probe)
