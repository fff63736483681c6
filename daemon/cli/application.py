"""The verbs as one command line of typer, which is loaded only when a verb is run."""

from __future__ import annotations

import importlib
import os
from collections.abc import Sequence
from importlib import metadata
from typing import Annotated, Any

import typer

from daemon.cli.completion import INSTALL, SHOW
from daemon.cli.output import INTERRUPTED, OK, UNAVAILABLE, USAGE, reason_of, report_error, warn
from daemon.cli.rooms import ROOMS
from daemon.errors import BrinewrightError


def command_tree() -> Any:  # noqa: ANN401 - typer does not publish the type of its command tree
    """Return all commands with their options."""
    return typer.main.get_command(_app(list(ROOMS)))


def run(verbs: Sequence[str], words: Sequence[str]) -> int:
    """Run one command line and return its exit code.

    Args:
        verbs: Those whose modules are to be loaded.
        words: What follows the program's name.
    """
    app = _app(verbs)
    try:
        left = app(list(words), prog_name="brinewright", standalone_mode=False)
    except SystemExit as exc:
        left = exc.code
    except (KeyboardInterrupt, typer.Abort):
        left = INTERRUPTED
    except typer.Exit as exc:
        left = exc.exit_code
    except BrinewrightError as exc:
        left = report_error(exc)
    except BrokenPipeError:
        raise
    except OSError as exc:
        place = "" if exc.filename is None else f"{os.fsdecode(exc.filename)}: "
        warn(f"{place}{reason_of(exc)}")
        left = UNAVAILABLE
    except Exception as exc:
        # The parser's usage errors have no common public base; they can all do this.
        message = getattr(exc, "format_message", None)
        if message is None:
            raise
        warn(f"{' '.join(message().split()).removesuffix('.')}; see '{_path_of(exc)} --help'")
        left = USAGE
    return left if isinstance(left, int) else OK


def _path_of(exc: Exception) -> str:
    """Return the words of the command that a usage error is of."""
    path = getattr(getattr(exc, "ctx", None), "command_path", "")
    return str(path) or "brinewright"


def _app(verbs: Sequence[str]) -> typer.Typer:
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    )
    app.callback()(_brinewright)
    for room in dict.fromkeys(ROOMS[verb] for verb in verbs):
        importlib.import_module(f"daemon.cli.{room}").register(app)
    return app


def _show_version(show: bool) -> None:
    if show:
        try:
            print(metadata.version("brinewright"))
        except metadata.PackageNotFoundError:
            print("unknown: run from a folder, not installed")
        raise typer.Exit


def _brinewright(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
    _show_completion: Annotated[
        str | None,
        typer.Option(SHOW, metavar="SHELL", help="Print the completion of bash, zsh or fish."),
    ] = None,
    _install_completion: Annotated[
        str | None,
        typer.Option(INSTALL, metavar="SHELL", help="Install it for this user."),
    ] = None,
) -> None:
    """Watch a mixing reservoir of artificial seawater, and work out its doses."""
