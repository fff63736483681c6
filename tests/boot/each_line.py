"""A program for a machine: runs command lines of the installed program, which it loads once.

Each line runs in a process of its own.  Standard input has them as a list of lists of words in
JSON; standard output gets, for each, its exit code and what it wrote to its two outputs.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
import tempfile
import traceback
from typing import IO, NoReturn

import daemon.cli.application  # noqa: F401 - loaded for the processes to come
from daemon.cli.main import main
from daemon.cli.rooms import ROOMS


def run_line(words: list[str]) -> tuple[int, str, str]:
    """Run one command line, with nobody to answer a question."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if not child:
            become(words, out, err)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        return code, said_in(out), said_in(err)


def become(words: list[str], out: IO[bytes], err: IO[bytes]) -> NoReturn:
    """Be the program that was started with these words."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    for number, descriptor in enumerate((nothing, out.fileno(), err.fileno())):
        os.dup2(descriptor, number)
    sys.argv = words
    code: object = 1
    try:
        main()
    except SystemExit as exc:
        code = exc.code or 0
    except BaseException:  # noqa: BLE001 - as the interpreter shows what nobody caught
        traceback.print_exc()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code if isinstance(code, int) else 1)


def said_in(file: IO[bytes]) -> str:
    """What was written to a file."""
    file.seek(0)
    return file.read().decode()


if __name__ == "__main__":
    for room in ROOMS.values():
        importlib.import_module(f"daemon.cli.{room}")
    json.dump([run_line(words) for words in json.load(sys.stdin)], sys.stdout)
