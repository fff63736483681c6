"""Secrets of sinks: what is wrong with the file of one is what is wrong with the sink."""

from __future__ import annotations

from pathlib import Path

from daemon import secret_files
from daemon.publishing.sink import SinkError


def read_secret(path: Path | None, key: str) -> str | None:
    """Return what a file of one secret holds; see `daemon.secret_files`.

    Raises:
        SinkError: It cannot be used.
    """
    try:
        return secret_files.read_secret(path, key)
    except secret_files.SecretError as exc:
        raise SinkError(str(exc)) from exc


def read_private(path: Path, key: str, encoding: str = "utf-8") -> str:
    """Return the text of a file that the service alone may read; see `daemon.secret_files`.

    Raises:
        SinkError: It cannot be used.
    """
    try:
        return secret_files.read_private(path, key, encoding)
    except secret_files.SecretError as exc:
        raise SinkError(str(exc)) from exc
