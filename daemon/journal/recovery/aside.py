"""Names for files that are put aside and never written over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from daemon.entries import Instant

MORE = ("", *(f"-{number}" for number in range(2, 1000)))


def free_name(path: Path, now: Instant, why: str = "broken") -> Path:
    """Return an unused name beside a file, with the time at which it was put aside.

    Args:
        path: The file.
        now: When.
        why: One word that stands in the name.
    """
    name = f"{path.stem}-{why}-{_moment(now)}"
    return _first_free(path.with_name(f"{name}{more}{path.suffix}") for more in MORE)


def replaced_name(path: Path, now: Instant) -> Path:
    """Return an unused name for a file that another replaces, with the time of that."""
    name = f"{path.name}.replaced-{_moment(now)}"
    return _first_free(path.with_name(f"{name}{more}") for more in MORE)


def _moment(now: Instant) -> str:
    return f"{now.wall:%Y%m%dT%H%M%SZ}"


def _first_free(names: Iterable[Path]) -> Path:
    return next(each for each in names if not each.exists())
