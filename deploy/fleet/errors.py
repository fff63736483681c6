"""Why a station cannot be provisioned, each with the code that the command ends with."""

from __future__ import annotations


class FleetError(Exception):
    """It is not so, or cannot be done; the sentence says why and what to do."""

    code = 1


class UsageError(FleetError):
    """It was asked for in a way that cannot be meant."""

    code = 2


class MissingError(FleetError):
    """Something that is needed is not there."""

    code = 69
