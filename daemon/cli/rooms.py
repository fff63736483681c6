"""The verbs of the command line, and the module that each is in."""

from __future__ import annotations

import importlib.util

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
    "probe": "probe",
    "backup": "backup",
    "simulate": "simulate",
}
"""Verb to module, in the order of the help."""


def is_present(verb: str) -> bool:
    """Say whether the module of a verb is there; a planned one is named already."""
    return importlib.util.find_spec(f"daemon.cli.{ROOMS[verb]}") is not None
