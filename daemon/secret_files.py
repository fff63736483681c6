"""Passwords, tokens and keys, each in a file that the service alone may read and write.

Who may read one has the secret, and who may write one, or owns it, can put another into it: have
alarms sent elsewhere, or the service log in elsewhere.  A symbolic link is followed, and where it
leads is judged.  What the service manager hands over as a credential is its matter, and only
root and the service reach it; there a list of rights may look like those of a group.

Source: systemd.exec(5), "Credentials" (from memory).
"""

from __future__ import annotations

import os
import pwd
from pathlib import Path
from stat import S_IRWXG, S_IRWXO, S_ISREG, S_IWGRP, S_IWOTH
from typing import BinaryIO

from daemon.config.fields import credentials_folder
from daemon.errors import BrinewrightError, ExitCode
from daemon.rights import user_name


class SecretError(BrinewrightError):
    """A file of a secret cannot be used; the text says why and what to do."""

    exit_code = ExitCode.CONFIG


def read_secret(path: Path | None, key: str) -> str | None:
    """Return what a file of one secret holds, without the line's end; None without a file.

    Args:
        path: The file.
        key: The key of the configuration that names it.

    Raises:
        SecretError: It cannot be read, is empty, or others may read or change it.
    """
    if path is None:
        return None
    secret = read_private(path, key).rstrip("\r\n")
    if not secret:
        raise SecretError(f"{key}: {path} is empty; write the secret into it")
    return secret


def read_private(path: Path, key: str, encoding: str = "utf-8") -> str:
    """Return the text of a file that the service alone may read and change.

    Raises:
        SecretError: It cannot be read, is no text, or others may read or change it.
    """
    with _opened(path, key) as file:
        try:
            return file.read().decode(encoding)
        except (OSError, UnicodeDecodeError) as exc:
            why = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
            raise SecretError(f"{key}: {path} cannot be read: {why}") from exc


def check_private(path: Path, key: str) -> None:
    """Return only when the service alone may read and change a file.

    Raises:
        SecretError: It cannot be read, or others may read or change it.
    """
    _opened(path, key).close()


def _opened(path: Path, key: str) -> BinaryIO:
    """Return a file, judged once it is open: nobody can exchange it in between."""
    try:
        # Without waiting: what is no file might never open.
        file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except PermissionError as exc:
        raise SecretError(
            f"{key}: {path} cannot be read: {exc.strerror}; it must belong to the user of the"
            f" service, and this is {user_name()}"
        ) from exc
    except OSError as exc:
        raise SecretError(f"{key}: {path} cannot be read: {exc.strerror}") from exc
    if fault := _fault(path, os.fstat(file)):
        os.close(file)
        raise SecretError(f"{key}: {fault}")
    return os.fdopen(file, "rb")


def _fault(path: Path, found: os.stat_result) -> str:
    """Return what is wrong with an open file, as a sentence; empty for nothing."""
    if not S_ISREG(found.st_mode):
        return f"{path} is not a file; name the file that holds the secret"
    if path.parent == credentials_folder():
        return ""
    us = os.geteuid()
    if us and found.st_uid not in (0, us):  # root looks at what is the service's, whoever that is
        return (
            f"{path} belongs to {_name(found.st_uid)}, who may read and change it; take it over"
            f" with 'chown {user_name()} {path}', and change the secret"
        )
    if found.st_mode & (S_IWGRP | S_IWOTH):
        return (
            f"others than its owner may change {path}; take that away with 'chmod 600 {path}',"
            " and write the secret again if strangers have been here"
        )
    if found.st_mode & (S_IRWXG | S_IRWXO):
        return (
            f"others than its owner may read {path}; take that away with 'chmod 600 {path}',"
            " and change the secret if strangers have been here"
        )
    return ""


def _name(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)
