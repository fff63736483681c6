"""The verbs of the command line, and the module that each is in."""

from __future__ import annotations

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
