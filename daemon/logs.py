"""Logging: set up once per process; changes are told, repetition is not.

A line of the log is one entry of ours, whatever the texts in it hold.
"""

from __future__ import annotations

import copy
import logging
import sys
import time
from typing import TYPE_CHECKING

from daemon.printable import printable

if TYPE_CHECKING:
    from types import TracebackType

QUIET_S = 60.0
INDENT = "    "
"""What stands at the left edge of the log is an entry; a traceback stands to the right of it."""


class _OneLine(logging.Formatter):
    """Writes an entry as one line, and a traceback below it, indented; nothing in either raw."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the lines of an entry."""
        # Another handler may have left its own form of the traceback in the record.
        record = copy.copy(record)
        record.msg, record.args, record.exc_text = printable(record.getMessage()), None, None
        return super().format(record)

    def formatException(
        self,
        ei: tuple[type[BaseException], BaseException, TracebackType | None]
        | tuple[None, None, None],
    ) -> str:
        """Return a traceback."""
        return _indented(super().formatException(ei))

    def formatStack(self, stack_info: str) -> str:
        """Return where an entry was made."""
        return _indented(stack_info)


def _indented(text: str) -> str:
    return "\n".join(INDENT + printable(line) for line in text.split("\n"))


def set_up(process: str) -> logging.Logger:
    """Send the process's lines to standard error, stamped in UTC."""
    handler = logging.StreamHandler(sys.stderr)
    formatter = _OneLine(
        f"%(asctime)sZ {process} %(levelname)s %(message)s", datefmt="%Y-%m-%dT%H:%M:%S"
    )
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    if logging.lastResort is not None:  # through which libraries complain that log elsewhere
        logging.lastResort.setFormatter(formatter)
    log = logging.getLogger(f"brinewright.{process}")
    log.handlers[:] = [handler]
    log.setLevel(logging.INFO)
    log.propagate = False

    def end(kind: type[BaseException], exc: BaseException, trace: TracebackType | None) -> None:
        log.critical("ended by a fault of its own", exc_info=(kind, exc, trace))

    # Python would write the text of an exception as it is, which may be one from outside.
    sys.excepthook = end
    return log


class Outage:
    """One line when trouble starts, one a minute while it lasts, one when it ends."""

    def __init__(self, log: logging.Logger, what: str) -> None:
        """Name what may fail, e.g. "publishing to mqtt"."""
        self._log = log
        self._what = what
        self._count = 0
        self._quiet_until_s = float("-inf")

    @property
    def lasts(self) -> bool:
        """Whether it has failed and not worked since."""
        return self._count > 0

    def failed(self, why: object, now_s: float) -> None:
        """Tell a failure at monotonic time `now_s`, unless one was told just now."""
        self._count += 1
        if now_s < self._quiet_until_s:
            return
        self._quiet_until_s = now_s + QUIET_S
        self._log.warning("%s fails (%d so far): %s", self._what, self._count, why)

    def worked(self) -> None:
        """Tell that it works again, if it had failed."""
        if self._count:
            self._log.info("%s works again after %d failures", self._what, self._count)
        self._count, self._quiet_until_s = 0, float("-inf")
