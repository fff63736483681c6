"""What whoever sent a command is answered, over a broker or to a program."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.mixing.events import optional


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a command.

    Attributes:
        id: Of the command; None where it had none that could be read.
        ok: Whether it was carried out; None while it waits.
        answer: One sentence.
        verb: Of the command, where one could be read.
        reservoir: That it was about; empty for the station.
        batch: Id of the batch that it was about; None where none is known.
        repeated: Whether the same id was answered before.
    """

    id: str | None
    ok: bool | None
    answer: str
    verb: str = optional("")
    reservoir: str | None = optional()
    batch: str | None = optional()
    repeated: bool = optional(default=False)
