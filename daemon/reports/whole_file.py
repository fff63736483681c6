"""A file that exists only once it is whole, so that half of it is never taken for the document."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO


@contextmanager
def whole_file(path: Path, *, force: bool) -> Iterator[IO[str]]:
    """Open a text file that appears at `path` only when it has been written to its end.

    Args:
        path: Where it is to appear.
        force: Replace a file that is there.

    Raises:
        FileExistsError: One is there, and `force` is not given.
        OSError: It cannot be written; a file that was there is unchanged.
    """
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is there and no file")
    if path.exists() and not force:
        raise FileExistsError(path)
    path = path.resolve()
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", errors="backslashreplace", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_document(html: str, path: Path, *, force: bool = False) -> None:
    """Write a document to a file that appears only once it is whole.

    Args:
        html: The document.
        path: Where to.
        force: Replace a file that is there.

    Raises:
        FileExistsError: One is there, and `force` is not given.
        OSError: It cannot be written.
    """
    with whole_file(path, force=force) as file:
        file.write(html)
