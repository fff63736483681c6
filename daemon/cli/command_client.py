"""Sends a command through the inbox and waits for its answer in the journal."""

from __future__ import annotations

import getpass
import time
import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.cli.output import NOT_SO, UNAVAILABLE, USAGE, emit, fail, journal_of, print_text
from daemon.entries import Event
from daemon.journal.inbox import Inbox, beside
from daemon.mixing.events import CommandAnswered
from daemon.printable import printable
from daemon.rights import user_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.journal.reader import Reader

WAIT_S = 10.0
POLL_S = 0.1


@dataclass(frozen=True, slots=True)
class CommandReply:
    """What came of a command that was sent.

    Attributes:
        id: Of the command.
        reservoir: That it was for; empty for the station.
        batch: Id of the batch that it was for; None for none.
        ok: Whether it was carried out.
        answer: One sentence.
    """

    id: str
    reservoir: str
    batch: str | None
    ok: bool
    answer: str


def send_and_report(
    config: Config, verb: str, reservoir: str, arguments: Mapping[str, JSON], *, as_json: bool
) -> None:
    """Send a command to the running service and print the answer.

    Ends with `NOT_SO` when it is rejected, and else as `send` does.
    """
    result = send(config, verb, reservoir, arguments)
    if as_json:
        reply: dict[str, JSON] = {
            "ok": result.ok,
            "answer": result.answer,
            "id": result.id,
            "batch": result.batch,
        }
        emit(reply, as_json=True)
    elif result.ok:
        print_text(printable(result.answer))
    if not result.ok and not as_json:
        fail(result.answer, NOT_SO)
    if not result.ok:
        raise SystemExit(NOT_SO)


def send(config: Config, verb: str, reservoir: str, arguments: Mapping[str, JSON]) -> CommandReply:
    """Send a command to the running service and return its answer, within `WAIT_S`.

    Ends with `USAGE` when it cannot be sent so, and with `UNAVAILABLE` when
    nobody answers.
    """
    given = {key: value for key, value in arguments.items() if value is not None}
    reader, id_ = journal_of(config.journal.path), str(uuid.uuid4())
    seq = reader.last_seq()
    Inbox(beside(config.journal.path)).submit(id_, _who(), "cli", verb, reservoir, given)
    result = _await(reader, id_, seq)
    if result is None:
        fail(
            f"no answer within {WAIT_S:g} s: is 'brinewright run' running? The command waits and"
            " is carried out when it does",
            UNAVAILABLE,
        )
    return result


def reservoir_of(config: Config, name: str | None) -> str:
    """Return the reservoir by its name; the only one needs none."""
    names = [each.name for each in config.reservoirs]
    if name is None and len(names) > 1:
        fail(f"the configuration has {', '.join(names)}; choose one with --reservoir", USAGE)
    if name is not None and name not in names:
        fail(f"there is no reservoir {name!r}; the configuration has {', '.join(names)}", NOT_SO)
    return name or names[0]


def _await(reader: Reader, id_: str, seq: int) -> CommandReply | None:
    deadline_s = time.monotonic() + WAIT_S
    while time.monotonic() < deadline_s:
        entries = reader.after(seq)
        for stored in entries:
            seq = stored.seq
            match stored.entry:
                case Event(reservoir, _, batch, CommandAnswered(id=known) as body) if known == id_:
                    return CommandReply(id_, reservoir, batch or None, body.ok, body.answer)
        if not entries:
            time.sleep(POLL_S)
    return None


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name
        return user_name()
