"""Putting a command into the inbox and waiting for its answer in the journal."""

from __future__ import annotations

import getpass
import time
import uuid
from typing import TYPE_CHECKING

from daemon.cli.output import NOT_SO, UNAVAILABLE, USAGE, emit, fail, journal_of, say
from daemon.entries import Event, Kind
from daemon.journal.event_codec import facts_of
from daemon.journal.inbox import Inbox, beside
from daemon.printable import printable
from daemon.rights import user_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.journal.reader import Reader

WAIT_S = 10.0
LOOK_S = 0.1


def ask(
    config: Config, verb: str, reservoir: str, facts: Mapping[str, JSON], *, as_json: bool
) -> None:
    """Ask the running service and print its answer, waiting up to `WAIT_S` for it.

    Ends with `NOT_SO` when it refuses, and else as `put` does.
    """
    answer = put(config, verb, reservoir, facts)
    id_, ok = str(facts_of(answer.body)["id"]), bool(facts_of(answer.body).get("ok"))
    text = str(facts_of(answer.body).get("answer", ""))
    if as_json:
        emit({"ok": ok, "answer": text, "id": id_, "batch": answer.batch or None}, as_json=True)
    elif ok:
        say(printable(text))
    if not ok and not as_json:
        fail(text, NOT_SO)
    if not ok:
        raise SystemExit(NOT_SO)


def put(config: Config, verb: str, reservoir: str, facts: Mapping[str, JSON]) -> Event:
    """Ask the running service and return its answer, waiting up to `WAIT_S` for it.

    Ends with `USAGE` when it cannot be asked so, and with `UNAVAILABLE` when
    nobody answers.
    """
    given = {key: value for key, value in facts.items() if value is not None}
    reader, id_ = journal_of(config.journal.path), str(uuid.uuid4())
    seq = reader.last_seq()
    Inbox(beside(config.journal.path)).submit(id_, _who(), "cli", verb, reservoir, given)
    answer = _await(reader, id_, seq)
    if answer is None:
        fail(
            f"no answer within {WAIT_S:g} s: is 'brinewright run' running? The command waits and"
            " is carried out when it does",
            UNAVAILABLE,
        )
    return answer


def reservoir_of(config: Config, name: str | None) -> str:
    """Return the reservoir that is meant; the only one needs no name."""
    names = [each.name for each in config.reservoirs]
    if name is None and len(names) > 1:
        fail(f"the configuration has {', '.join(names)}; choose one with --reservoir", USAGE)
    if name is not None and name not in names:
        fail(f"there is no reservoir {name!r}; the configuration has {', '.join(names)}", NOT_SO)
    return name or names[0]


def _await(reader: Reader, id_: str, seq: int) -> Event | None:
    deadline_s = time.monotonic() + WAIT_S
    while time.monotonic() < deadline_s:
        found = reader.after(seq)
        for stored in found:
            seq, entry = stored.seq, stored.entry
            if not isinstance(entry, Event) or entry.kind is not Kind.COMMAND:
                continue
            if facts_of(entry.body).get("id") == id_:
                return entry
        if not found:
            time.sleep(LOOK_S)
    return None


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name
        return user_name()
