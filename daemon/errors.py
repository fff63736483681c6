"""One root of every error that a person reads, and the codes that programs end with.

The text of an error is one sentence for whoever must act: what is wrong, where, and what to
do.  An error that ends a program carries the exit code that it ends with, so no program needs
a table of its own.
"""

from __future__ import annotations

from enum import IntEnum
from typing import ClassVar


class ExitCode(IntEnum):
    """What every program of the service ends with.

    Source: sysexits.h of BSD for the two that are not small numbers.
    """

    DONE = 0
    NOT_SO = 1
    """What was in question is not so."""
    USAGE = 2
    """The command was not given as it must be."""
    UNAVAILABLE = 69
    """A needed service or file is not there; EX_UNAVAILABLE."""
    SOFTWARE = 70
    """A part of this program hangs; EX_SOFTWARE."""
    CONFIG = 78
    """The configuration is wrong; EX_CONFIG."""


class BrinewrightError(Exception):
    """Something cannot be done; the text says what, where, and what to do about it.

    Attributes:
        exit_code: What a program ends with that this error ends.
    """

    exit_code: ClassVar[ExitCode] = ExitCode.NOT_SO

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every fault as a sentence; most errors are one."""
        return (str(self),)


class InputError(BrinewrightError, ValueError):
    """A value that was given cannot be used; the text says which, why, and what could be."""

    exit_code = ExitCode.USAGE
