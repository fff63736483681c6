"""The command `brinewright`: finds the verb, loads its room, turns faults into sentences.

Adding a verb: write `daemon/cli/<room>.py` with

    def register(app: typer.Typer) -> None:
        @app.command()
        def verb(...) -> None: ...

and name verb and room in `daemon/cli/rooms.py`; then run
`python -m daemon.cli.completion_tree`.  Only the room of the verb that was typed is
imported (all of them for `--help`), so a room imports what it needs at its top,
except that a room which starts other processes keeps typer out of those.  A
command prints with `daemon.cli.output`, ends early with its `fail` or with any
error of ours (printed here; it says with which code to end), reads the
journal by its `journal_of`, and lets no other exception for bad input through.
"""

from __future__ import annotations

import difflib
import os
import sys
from collections.abc import Sequence

from daemon.cli import completion
from daemon.cli.output import INTERRUPTED, OK, UNAVAILABLE, USAGE, warn
from daemon.cli.rooms import ROOMS


def main() -> None:
    """Run the command line that was typed and leave with its exit code."""
    # A terminal that lacks a sign such as the degree shows a question mark for it.
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")
    code: int = OK
    if completion.VARIABLE in os.environ:
        completion.answer(sys.argv[1:], os.environ)
        sys.exit(OK)
    try:
        code = invoke(sys.argv[1:])
        sys.stdout.flush()
    except KeyboardInterrupt:
        # While the verb's modules were being loaded: it has begun nothing yet.
        code = INTERRUPTED
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
    if words and words[0].partition("=")[0] in (completion.SHOW, completion.INSTALL):
        return completion.command(words)
    verb = next((word for word in words if not word.startswith("-")), None)
    if verb is not None and not _known(verb, comes_first=words[0] == verb):
        return USAGE
    from daemon.cli.application import run

    verbs = [verb] if verb else list(ROOMS)
    if not words:
        run(verbs, ["--help"])
        return USAGE
    return run(verbs, words)


def _known(verb: str, *, comes_first: bool) -> bool:
    if verb in ROOMS:
        return True
    if not comes_first:
        warn("options come after the command, such as brinewright status --config PATH")
        return False
    close = difflib.get_close_matches(verb, ROOMS, n=1)
    hint = f"did you mean {close[0]}?" if close else "see brinewright --help"
    warn(f"there is no command {verb!r}; {hint}")
    return False


if __name__ == "__main__":
    main()
