"""Who may open a device, and which group to join for who may not."""

from __future__ import annotations

import grp
import os
import pwd
import re
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from daemon.probes.inventory.connection import Places

SERVICE_USER = "brinewright"
SERVICE_UNIT = "brinewright-measure.service"
_KEY = re.compile(r"^\s*(User|Group|SupplementaryGroups)\s*=\s*(.*?)\s*$")


@dataclass(frozen=True, slots=True)
class Account:
    """An account that is to open devices.

    Attributes:
        name: Of the account.
        uid: Its number.
        gids: Numbers of all groups that count for it now.
        is_service: Whether it is that of the service, and not of who asks.
        enrolled: Names of groups that it is in by the books, though not in this login yet.
    """

    name: str
    uid: int
    gids: frozenset[int]
    is_service: bool = False
    enrolled: frozenset[str] = frozenset()


def this_account() -> Account:
    """Return who runs this program."""
    uid = os.geteuid()
    gids = frozenset((os.getegid(), *os.getgroups()))
    try:
        name = pwd.getpwuid(uid).pw_name
    except KeyError:
        return Account(str(uid), uid, gids)
    enrolled = frozenset(each.gr_name for each in grp.getgrall() if name in each.gr_mem)
    return Account(name, uid, gids, enrolled=enrolled)


def service_account(places: Places) -> Account | None:
    """Return the account that measures; None where the service is not installed here."""
    keys = _unit_keys(places)
    name = keys["User"][-1] if keys.get("User") else SERVICE_USER
    try:
        entry = pwd.getpwnam(name)
    except KeyError:
        return None
    named = [*keys.get("SupplementaryGroups", []), *keys.get("Group", [])]
    gids = {entry.pw_gid}
    for group in grp.getgrall():
        if group.gr_name in named or name in group.gr_mem:
            gids.add(group.gr_gid)
    return Account(name, entry.pw_uid, frozenset(gids), is_service=True)


def _unit_keys(places: Places) -> dict[str, list[str]]:
    """Return the words of the unit file, and of what an administrator put beside it."""
    found: dict[str, list[str]] = {}
    for path in _unit_files(places):
        try:
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            continue
        for line in lines:
            key = _KEY.match(line)
            if key is not None:
                found.setdefault(key[1], []).extend(key[2].split())
    return found


def _unit_files(places: Places) -> Iterator[Path]:
    for folder in places.units:
        yield folder / SERVICE_UNIT
        yield from sorted((folder / f"{SERVICE_UNIT}.d").glob("*.conf"))


def group_name(gid: int) -> str:
    """Return what a group is called; its number where it has no name."""
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def access_faults(
    path: Path,
    accounts: list[Account],
    *,
    write: bool = True,
    status: Callable[[Path], os.stat_result] = Path.stat,
) -> tuple[str, ...]:
    """Return a sentence for each account that may not open a device.

    Args:
        path: Of the device.
        accounts: Who is to open it.
        write: Whether it is to be written as well as read.
        status: How its owner, group and mode are had.
    """
    try:
        found = status(path)
    except OSError:
        return ()
    sentences = []
    for account in accounts:
        lacking = _lacking(found, account, 6 if write else 4)
        if lacking:
            sentences.append(f"{path}: {lacking}")
    return tuple(sentences)


def _lacking(found: os.stat_result, account: Account, needed: int) -> str:
    """Return what an account lacks to open a device, and what to do; empty where nothing."""
    mode = stat.S_IMODE(found.st_mode)
    by_group = mode >> 3 & needed == needed
    # Who owns a device is judged as its owner alone, whatever its group may.
    owner_bits = mode >> 6 if found.st_uid == account.uid else mode
    if account.uid == 0 or owner_bits & needed == needed:
        return ""
    if found.st_uid == account.uid:
        return f"its owner {account.name} may not use it"
    if by_group and found.st_gid in account.gids:
        return ""
    return _remedy(account, found.st_gid, by_group=by_group)


def _remedy(account: Account, gid: int, *, by_group: bool) -> str:
    who = "the service" if account.is_service else "you"
    group = group_name(gid)
    if not by_group or gid == 0:
        return (
            f"only root may use it, and {who} ({account.name}) may not; a udev rule must give it to"
            " a group, as the one that the installation brings"
        )
    if account.is_service:
        return (
            f"the service ({account.name}) is not in the group {group}: sudo systemctl edit"
            f" brinewright-measure, add SupplementaryGroups={group} below [Service], and restart it"
        )
    if group in account.enrolled:
        return f"you are in the group {group}, but this login is from before: log in again"
    return (
        f"you ({account.name}) are not in the group {group}:"
        f" sudo usermod -aG {group} {account.name}, then log in again"
    )
