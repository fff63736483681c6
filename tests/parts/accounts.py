"""Accounts of this machine for tests of rights: a function runs as one of them, in a child.

Nothing stands in for anything: the child gives up root for good before it begins, so the kernel
refuses what it would refuse that user.  The accounts are some that every Debian has.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

GROUP, GROUP_ID = "users", 100
"""Stands for the group of those who may use the program."""


@dataclass(frozen=True, slots=True)
class Account:
    """Who a process runs as.

    Attributes:
        name: In the system's books; a number where it has none.
        uid: User.
        gid: Primary group.
        groups: The others.
    """

    name: str
    uid: int
    gid: int
    groups: tuple[int, ...] = ()


ROOT = Account("root", 0, 0)
SERVICE = Account("daemon", 1, GROUP_ID)
"""Has the group as its own, as the service has by its unit."""
KEEPER = Account("backup", 34, 34, (GROUP_ID,))
"""Has it besides another, as a person has."""
STRANGER = Account("nobody", 65534, 65534)
NAMELESS = Account("61003", 61003, 61003)

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")


def run_as(account: Account, work: Callable[[], Any], umask: int = 0o027) -> Any:  # noqa: ANN401
    """Run a function as another user in a child process; return what it returns, as JSON has it.

    Raises:
        AssertionError: It raised; what is in the message.
    """
    out, into = os.pipe()
    child = os.fork()
    if not child:
        _work(account, work, umask, into)
    os.close(into)
    with os.fdopen(out, "rb") as pipe:
        told = json.loads(pipe.read() or b'["died", ""]')
    os.waitpid(child, 0)
    assert told[0] == "done", told[1]
    return told[1]


def _work(account: Account, work: Callable[[], Any], umask: int, into: int) -> None:
    try:
        os.umask(umask)
        os.setgroups(account.groups)
        os.setgid(account.gid)
        os.setuid(account.uid)
        told = ["done", work()]
    except BaseException:  # noqa: BLE001 - nothing of the child may go on in the tests
        told = ["raised", traceback.format_exc()]
    try:
        os.write(into, json.dumps(told).encode())
        sys.stdout.flush()
    finally:
        os._exit(0)


def give(path: Path, account: Account, mode: int) -> Path:
    """Have a file or folder belong to an account and to the group, and return it."""
    os.chown(path, account.uid, GROUP_ID)
    path.chmod(mode)
    return path


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that every user may enter, as those of the test runner are its user's alone."""
    with tempfile.TemporaryDirectory(prefix="brinewright-") as name:
        Path(name).chmod(0o755)
        yield Path(name)
