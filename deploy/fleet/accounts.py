"""Accounts in a password file of mosquitto, whose own program makes the hash of each password."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from deploy.fleet.errors import FleetError, MissingError

PROGRAM = "mosquitto_passwd"
SYSTEM = ":/usr/sbin:/usr/local/sbin"


def names(passwords: Path) -> set[str]:
    """Return the names of all accounts.

    Raises:
        FleetError: The file cannot be read.
    """
    return {line.partition(":")[0] for line in _lines(passwords)}


def set_password(passwords: Path, name: str, password: str) -> None:
    """Make an account, or give one another password.

    Raises:
        FleetError: The file cannot be read or written.
        MissingError: The program of mosquitto is not there, or fails.
    """
    line = _hashed(passwords.parent, name, password)
    others = [each for each in _lines(passwords) if each.partition(":")[0] != name]
    _write(passwords, [*others, line])


def remove(passwords: Path, name: str) -> None:
    """Remove an account; nothing if it is not there.

    Raises:
        FleetError: The file cannot be read or written.
    """
    lines = _lines(passwords)
    others = [each for each in lines if each.partition(":")[0] != name]
    if others != lines:
        _write(passwords, others)


def _lines(passwords: Path) -> list[str]:
    try:
        return passwords.read_text(encoding="utf-8").splitlines() if passwords.exists() else []
    except (OSError, UnicodeDecodeError) as exc:
        raise FleetError(f"{passwords} cannot be read: {exc}") from exc


def _hashed(folder: Path, name: str, password: str) -> str:
    """Return the line of an account; the password goes by a file, as others see a command line."""
    program = shutil.which(PROGRAM, path=os.environ.get("PATH", "") + SYSTEM)
    if program is None:
        raise MissingError(f"the program {PROGRAM} is missing: sudo apt install mosquitto")
    with tempfile.TemporaryDirectory(prefix=".account-", dir=folder) as place:
        file = Path(place) / "account"
        file.touch(mode=0o600)
        file.write_text(f"{name}:{password}\n", encoding="utf-8")
        done = subprocess.run(  # noqa: S603 - a program of the system, no shell
            [program, "-U", file], capture_output=True, text=True, check=False
        )
        (line,) = file.read_text(encoding="utf-8").splitlines() or [""]
    if done.returncode or not line.startswith(f"{name}:$"):
        raise MissingError(f"{PROGRAM} made no hash: {done.stderr.strip() or 'it said nothing'}")
    return line


def _write(passwords: Path, lines: list[str]) -> None:
    """Write the file whole beside itself and exchange it, with the owner and rights it had."""
    before = passwords.stat() if passwords.exists() else None
    new = passwords.with_name(f".{passwords.name}.new")
    try:
        new.unlink(missing_ok=True)
        with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:  # noqa: PTH123
            file.writelines(f"{line}\n" for line in lines)
            file.flush()
            if before is not None:
                os.fchown(file.fileno(), before.st_uid, before.st_gid)
                os.fchmod(file.fileno(), before.st_mode & 0o777)
            os.fsync(file.fileno())
        new.replace(passwords)
    except OSError as exc:
        raise FleetError(f"{passwords} cannot be written: {exc.strerror}") from exc
