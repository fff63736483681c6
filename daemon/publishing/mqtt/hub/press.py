"""What a hub sends when a button is pressed or a value entered, beside commands of other programs.

All goes to the `command` topic, so that a broker's rights stay as they are.  A press is a command
with `"from": "hub"` and the names of what a person must or may have entered before:

    {"from": "hub", "verb": "batch.use", "who": "dashboard", "needs": ["volume_l"]}
    {"from": "hub", "set": "volume_l", "value": 40}
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.journal.command_format import BadRequestError, read_object
from daemon.journal.payloads import to_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from daemon.entries import JSON

HUB = "hub"
OWN_KEYS = frozenset(("from", "needs", "takes"))
MOST_NAMED, LONGEST_NAMED = 8, 40
"""So many arguments a press may name, and so many characters each."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A value that was entered.

    Attributes:
        argument: Which; any text.
        value: Of any kind.
    """

    argument: str
    value: JSON


@dataclass(frozen=True, slots=True)
class Press:
    """A button that was pressed.

    Attributes:
        command: What the station is asked, without what was entered.
        needs: Arguments that must have been entered.
        takes: Arguments that go with it where they were entered.
    """

    command: Mapping[str, JSON]
    needs: tuple[str, ...]
    takes: tuple[str, ...]


def set_template(argument: str) -> str:
    """Return the template by which a hub sends a value that was entered."""
    return f'{{{{ {{"from": "{HUB}", "set": "{argument}", "value": value}} | tojson }}}}'


def press_payload(
    command: Mapping[str, JSON], needs: Sequence[str] = (), takes: Sequence[str] = ()
) -> str:
    """Return what a hub sends when a button is pressed.

    Args:
        command: Verb and arguments.
        needs: Arguments that must have been entered.
        takes: Arguments that go with it where they were entered.
    """
    lists = {"needs": [*needs], "takes": [*takes]}
    more: dict[str, JSON] = {key: [*names] for key, names in lists.items() if names}
    return to_json({"from": HUB, "who": "dashboard", **command, **more}).decode()


def read(payload: bytes, size: int) -> Entry | Press | None:
    """Return what a hub sent; None for a command of another program, and for what is no command.

    Args:
        payload: Untrusted bytes; not read when `size` is too large.
        size: How long it was, bytes.
    """
    try:
        parsed = read_object(payload, size)
    except BadRequestError:
        return None  # the intake answers it
    if parsed.get("from") != HUB:
        return None
    if "set" in parsed:
        return Entry(str(parsed["set"]), parsed.get("value"))
    command = {key: value for key, value in parsed.items() if key not in OWN_KEYS}
    return Press(command, _names(parsed.get("needs")), _names(parsed.get("takes")))


def _names(value: JSON) -> tuple[str, ...]:
    if not isinstance(value, list):
        return ()
    return tuple(str(each)[:LONGEST_NAMED] for each in value[:MOST_NAMED])
