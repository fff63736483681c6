"""Folders that take long to make, kept for the next run of the tests."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
from collections.abc import Callable, Iterable
from pathlib import Path


class UnavailableError(Exception):
    """A system cannot be booted here; the text is one sentence: why, and what to do."""


def cache_folder() -> Path:
    """Where roots and wheels are kept between runs."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "brinewright-boot"


def digest(parts: Iterable[str]) -> str:
    """A short name for what something is made of."""
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:12]


def make_once(name: str, contents: str, make: Callable[[Path], None]) -> Path:
    """Return the cached folder of that name and contents, making it if it is not there.

    A second process that wants the same folder waits for the first.  What a run left half made
    and folders of other contents are removed.

    Args:
        name: What the folder is, without its contents.
        contents: Digest of what it is made of.
        make: Fills the folder that it is given, which exists and is empty.
    """
    cache = cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    folder = cache / f"{name}-{contents}"
    with (cache / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if folder.is_dir():
            return folder
        for old in cache.glob(f"{name}-*"):
            shutil.rmtree(old)
        partial = cache / f"{name}-partial"
        partial.mkdir()
        try:
            make(partial)
            partial.rename(folder)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    return folder
