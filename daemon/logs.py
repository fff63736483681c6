"""Logging: set up once per process; changes are told, repetition is not."""

from __future__ import annotations

import logging
import sys
import time

QUIET_S = 60.0


def set_up(process: str) -> logging.Logger:
    """Send the process's lines to standard error, stamped in UTC."""
    handler = logging.StreamHandler(sys.stderr)
    formatter = logging.Formatter(
        f"%(asctime)sZ {process} %(levelname)s %(message)s", datefmt="%Y-%m-%dT%H:%M:%S"
    )
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    log = logging.getLogger(f"brinewright.{process}")
    log.handlers[:] = [handler]
    log.setLevel(logging.INFO)
    log.propagate = False
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
