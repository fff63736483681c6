"""Who may use a file that this user may not, and what to do to become one of them."""

from __future__ import annotations

import grp
import os
import pwd
import shlex
import stat
from pathlib import Path

READ, WRITE, ENTER = os.R_OK, os.W_OK, os.X_OK
FIRST_OWN_GROUP = 100
"""Groups below come with the system (root, disk, shadow); nobody is to be put into one of them.

Source: Debian Policy Manual, 9.2.2 (from memory).
"""


def missing_rights(path: Path, *, write: bool = False) -> str:
    """Return a sentence on the first folder or file on the way that this user may not use.

    Empty where nothing is barred: all may be used, or something is not there.

    Args:
        path: The file; a folder, where it is to be entered or files are to be made in it.
        write: Whether it is to be written, not only read.
    """
    try:
        barred = _barred(Path(os.path.realpath(path)), write=write)
        return "" if barred is None else _sentence(*barred)
    except (OSError, ValueError):
        # It has gone meanwhile, or is no path: who asked has a sentence of their own for that.
        return ""


def user_name() -> str:
    """Return what this user is called; the number of an account without a name."""
    return _user(os.geteuid())


def _barred(path: Path, *, write: bool) -> tuple[Path, int] | None:
    """Return the first on the way that is barred, and what is needed of it."""
    there = Path(path.anchor)
    for each in (*reversed(path.parents), path):
        try:
            folder = stat.S_ISDIR(each.stat().st_mode)
        except FileNotFoundError:
            return _lacking(there, WRITE | ENTER) if write else None
        if each != path and not folder:
            return None
        needed = (ENTER if folder else READ) | (WRITE if write and each == path else 0)
        if _lacking(each, needed):
            return each, needed
        there = each
    return None


def _lacking(path: Path, needed: int) -> tuple[Path, int] | None:
    if os.access(path, needed, effective_ids=True):
        return None
    # A disk that is mounted to be read alone refuses everybody, whoever they are.
    read_only = needed & WRITE and os.statvfs(path).f_flag & os.ST_RDONLY
    return None if read_only else (path, needed)


def _sentence(path: Path, needed: int) -> str:
    found = path.stat()
    group_may = found.st_mode >> 3 & needed == needed
    if found.st_uid == os.geteuid():
        letters = "".join(
            letter for bit, letter in ((READ, "r"), (WRITE, "w"), (ENTER, "x")) if needed & bit
        )
        remedy = f"chmod u+{letters} {shlex.quote(str(path))}"
        return f"{path} is yours, but may not be {_used(needed)}: {remedy}"
    if not group_may or found.st_gid in {os.getegid(), *os.getgroups()}:
        owner = _user(found.st_uid)
        return (
            f"{path} may be {_used(needed)} by {owner} alone, and you are {user_name()}:"
            f" {_as_owner(found.st_uid)}"
        )
    return f"{path} may be {_used(needed)} by the group {_of_group(found.st_gid, found.st_uid)}"


def _of_group(gid: int, uid: int) -> str:
    """Return a group, that this user is not in it, and what to do."""
    group, name = _group(gid), user_name()
    if _enrolled(gid):
        return (
            f"{group} alone; you ({name}) are in it, but this login is from before:"
            " log out, and log in again"
        )
    joins = gid >= FIRST_OWN_GROUP and not group.isdigit() and not name.isdigit()
    remedy = f"sudo usermod -aG {group} {name}, then log in again" if joins else _as_owner(uid)
    return f"{group} alone, and you ({name}) are not in it: {remedy}"


def _as_owner(uid: int) -> str:
    if uid == 0:
        return "sudo brinewright ..."
    name = _user(uid)
    return f"sudo -u {shlex.quote(f'#{name}') if name.isdigit() else name} brinewright ..."


def _used(needed: int) -> str:
    if needed & WRITE:
        return "written"
    return "read" if needed & READ else "entered"


def _enrolled(gid: int) -> bool:
    """Say whether the system's books have this user in a group."""
    try:
        user = pwd.getpwuid(os.geteuid())
        return user.pw_gid == gid or user.pw_name in grp.getgrgid(gid).gr_mem
    except KeyError:
        return False


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)
