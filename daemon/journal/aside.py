"""Names for files that are put aside and that nobody is to write over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.entries import Instant


def free_name(path: Path, now: Instant, why: str = "broken") -> Path:
    """Return a name beside a file that tells when it was put aside and that nothing has yet.

    Args:
        path: The file.
        now: When.
        why: One word that stands in the name.
    """
    name = f"{path.stem}-{why}-{now.wall:%Y%m%dT%H%M%SZ}"
    names = (f"{name}{more}{path.suffix}" for more in ("", *(f"-{n}" for n in range(2, 1000))))
    return next(each for each in map(path.with_name, names) if not each.exists())
