"""The command `brinewright`: finds the verb, loads its room, turns faults into sentences.

Adding a verb: write `daemon/cli/<room>.py` with

    def register(app: typer.Typer) -> None:
        @app.command()
        def verb(...) -> None: ...

and name verb and room in `ROOMS`.  Only the room of the verb that was typed is
imported (all of them for `--help`), so a room imports what it needs at its top,
except that a room which starts other processes keeps typer out of those.  A
command prints with `daemon.cli.output`, ends early with its `fail` or with any
error of ours (printed here; it says with which code to end), reads the
journal by its `journal_of`, and lets no other exception for bad input through.
"""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import os
import sys
from collections.abc import Sequence
from importlib import metadata
from typing import Annotated

import typer

from daemon.cli.output import OK, UNAVAILABLE, USAGE, reason_of, report_error, warn
from daemon.errors import BrinewrightError

ROOMS = {
    "run": "run",
    "replay": "replay",
    "status": "status",
    "plan": "plan",
    "correct": "plan",
    "change": "plan",
    "salinity": "salinity",
    "batch": "batch",
    "lot": "lot",
    "calibrate": "calibrate",
    "alarm": "alarm",
    "export": "export",
    "doctor": "doctor",
    "backup": "backup",
    "simulate": "simulate",
}
"""Verb to module, in the order of the help."""

INTERRUPTED = 130
"""What a shell expects of a program ended with Ctrl-C."""


def main() -> None:
    """Run the command line that was typed and leave with its exit code."""
    # A terminal that lacks a sign such as the degree shows a question mark for it.
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    code: int = OK
    try:
        code = invoke(sys.argv[1:])
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader has gone, as with `| head`.
        code = _write_no_more(OK)
    except OSError as exc:
        # Some versions of Python fail once more with what a verb could not print and reported.
        if code != UNAVAILABLE:
            warn(f"standard output cannot be written: {exc.strerror or exc}")
        code = _write_no_more(UNAVAILABLE)
    sys.exit(code)


def _write_no_more(code: int) -> int:
    """Have what Python flushes at exit go nowhere, and return the exit code."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return code


def invoke(words: Sequence[str]) -> int:
    """Run one command line and return its exit code.

    Args:
        words: What follows the program's name.
    """
    verb = next((word for word in words if not word.startswith("-")), None)
    if verb is not None and not _known(verb):
        return USAGE
    app = _app([verb] if verb else list(ROOMS))
    if not words:
        _run(app, ["--help"])
        return USAGE
    return _run(app, words)


def _run(app: typer.Typer, words: Sequence[str]) -> int:
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
        warn(" ".join(message().split()))
        left = USAGE
    return left if isinstance(left, int) else OK


def _known(verb: str) -> bool:
    if verb not in ROOMS:
        close = difflib.get_close_matches(verb, ROOMS, n=1)
        hint = f"did you mean {close[0]}?" if close else "see brinewright --help"
        warn(f"there is no command {verb!r}; {hint}")
        return False
    if not _present(verb):
        warn(f"the command {verb!r} is planned and not there yet")
        return False
    return True


def _present(verb: str) -> bool:
    return importlib.util.find_spec(f"daemon.cli.{ROOMS[verb]}") is not None


def _app(verbs: Sequence[str]) -> typer.Typer:
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    )
    app.callback()(_brinewright)
    for room in dict.fromkeys(ROOMS[verb] for verb in verbs if _present(verb)):
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
) -> None:
    """Watch a mixing reservoir of artificial seawater, and work out its doses."""


if __name__ == "__main__":
    main()
