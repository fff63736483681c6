"""Passwords, tokens and keys, each in a file that not everybody may read or write."""

from __future__ import annotations

from pathlib import Path
from stat import S_IROTH, S_IWOTH

from daemon.publishing.sink import SinkError


def read_secret(path: Path | None, key: str) -> str | None:
    """Return what a file of one secret holds, without the line's end; None without a file.

    Args:
        path: The file.
        key: The key of the configuration that names it.

    Raises:
        SinkError: It cannot be read, is empty, or everybody may read or write it.
    """
    if path is None:
        return None
    check_private(path, key)
    try:
        secret = path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
        raise SinkError(f"{key}: {path} cannot be read: {why}") from exc
    if not secret:
        raise SinkError(f"{key}: {path} is empty; write the secret into it")
    return secret


def check_private(path: Path, key: str) -> None:
    """Return only when not everybody may read or write a file.

    Who may write it can have alarms sent to himself.

    Raises:
        SinkError: Everybody may, or it is not there.
    """
    try:
        mode = path.stat().st_mode
    except OSError as exc:
        raise SinkError(f"{key}: {path} cannot be read: {exc.strerror}") from exc
    if mode & S_IWOTH:
        raise SinkError(
            f"{key}: everybody on this machine may change {path}; take that away with"
            f" 'chmod o-rw {path}', and write it anew if strangers have been here"
        )
    if mode & S_IROTH:
        raise SinkError(
            f"{key}: everybody on this machine may read {path}; take that away with"
            f" 'chmod o-r {path}', and change the secret if strangers have been here"
        )
