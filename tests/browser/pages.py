"""Every page that a browser can open, by a short name for its pictures."""

from __future__ import annotations

PAGES = {
    "now": "/",
    "trend": "/trend?span=1h",
    "batches": "/batches",
    "batch": "/batches/{batch}",
    "compare": "/batches/compare?batch={batch}",
    "lots": "/lots",
    "calibrations": "/calibrations",
    "routine": "/calibrations/routine",
    "acts": "/act",
}


def path_of(name: str, batch: str) -> str:
    """The path of a page, of a batch where it is one of a batch."""
    return PAGES[name].format(batch=batch)
