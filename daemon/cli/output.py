"""What every command prints with: answers, tables, one-sentence failures, exit codes.

Nothing that a name, a note or an instrument said reaches the terminal raw: a cell of a table and
a sentence are one line each, whatever is in them.
"""

from __future__ import annotations

import json
import os
import sys
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from daemon.errors import BrinewrightError, ExitCode
from daemon.printable import printable, printable_json, printable_lines
from daemon.rights import missing_rights

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.journal.reader import Reader

OK = ExitCode.DONE
NOT_SO = ExitCode.NOT_SO
USAGE = ExitCode.USAGE
UNAVAILABLE = ExitCode.UNAVAILABLE
CONFIG = ExitCode.CONFIG
INTERRUPTED = 130
"""What a shell expects of a program ended with Ctrl-C."""

WIDTH = 80
_GAP = "  "


def emit(answer: Mapping[str, Any], *, as_json: bool, text: str = "") -> None:
    """Print one answer.

    Args:
        answer: JSON-able facts; the keys carry their unit.
        as_json: Print `answer` as one line of JSON and nothing else.
        text: What a person reads instead; without it, keys and values.

    Raises:
        ValueError: `answer` holds a number that JSON has no word for.
    """
    if as_json:
        print_text(json_line(answer))
        return
    print_text(text or table([(key, _plain(value)) for key, value in answer.items()]))


def print_text(text: str) -> None:
    """Print lines; whatever comes from elsewhere in them must be on one line already."""
    print(printable_lines(text), flush=True)


def json_line(payload: Mapping[str, Any]) -> str:
    """Return one object as one line of JSON that can be printed.

    Raises:
        ValueError: It holds a number that JSON has no word for.
    """
    return printable_json(json.dumps(payload, ensure_ascii=False, allow_nan=False))


def table(rows: Iterable[Sequence[str]], headings: Sequence[str] = ()) -> str:
    """Lay out rows in columns no wider than the screen; the last column wraps.

    Args:
        rows: Cells of each row, as many in each; a line's end in one is shown as an escape.
        headings: One for each column, or none.
    """
    cells = [list(headings)] if headings else []
    cells += [[printable(cell) for cell in row] for row in rows]
    if not cells:
        return ""
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]) - 1)]
    left = sum(widths) + len(_GAP) * len(widths)
    return "\n".join(_row(row, widths, left) for row in cells)


def fail(sentence: str, code: ExitCode) -> NoReturn:
    """Say on standard error what is wrong and end with `code`.

    Args:
        sentence: What is wrong, where, and what to do.
        code: What to end with.
    """
    warn(sentence)
    raise SystemExit(code)


def report_error(error: BrinewrightError) -> ExitCode:
    """Say on standard error everything that is wrong; return the code to end with."""
    for sentence in error.sentences:
        warn(sentence)
    return error.exit_code


def warn(sentence: str) -> None:
    """Say on standard error what is wrong, and go on."""
    stop = "" if sentence.endswith((".", "?", "!")) else "."
    print(f"brinewright: {printable(sentence)}{stop}", file=sys.stderr, flush=True)


def reason_of(exc: OSError) -> str:
    """Return why the system refuses a file: who may use it, else the system's own words."""
    if isinstance(exc, PermissionError) and exc.filename is not None:
        path = Path(os.fsdecode(exc.filename))
        if lacking := missing_rights(path) or missing_rights(path, write=True):
            return lacking
    return exc.strerror or str(exc)


def journal_of(path: Path) -> Reader:
    """Return the reader of a journal, or say who may read it and end with `UNAVAILABLE`."""
    from daemon.journal.reader import Reader

    if lacking := missing_rights(path):
        fail(lacking, UNAVAILABLE)
    return Reader(path)


def read_config(path: Path | None) -> Config:
    """Return the configuration.

    Args:
        path: What `--config` said; None to look in the usual places.

    Raises:
        ConfigError: It cannot be used; the verb ends with `CONFIG`.
    """
    from daemon.config import find_config, load
    from daemon.probes.registry import SECTIONS

    return load(find_config(path), SECTIONS)


def _row(row: Sequence[str], widths: Sequence[int], left: int) -> str:
    start = "".join(cell.ljust(width) + _GAP for cell, width in zip(row, widths, strict=False))
    lines = textwrap.wrap(row[-1], max(WIDTH - left, 20), break_on_hyphens=False) or [""]
    return ("\n" + " " * left).join(lines).join((start, "")).rstrip()


def _plain(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
