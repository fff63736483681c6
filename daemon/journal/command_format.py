"""Incoming commands: untrusted bytes to a checked request, or a sentence.

One check for every way in except the command line.

    {"id": "press-17", "verb": "batch.use", "facts": {"volume_l": 40}, "who": "morning shift"}

Arguments may also stand beside `verb` without `facts` around them.  Size, form and
values are all untrusted.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from daemon.entries import JSON, Event
from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.event_codec import facts_of
from daemon.mixing.events import CommandAnswered

LARGEST_BYTES = 16_384
LONGEST_ID = 64
LONGEST_WHO = 40
LONGEST_NAME = 40
LONGEST_TEXT = 2_000
MOST_FACTS = 20
LARGEST_NUMBER = 2.0**53
"""Beyond it whole numbers and floating-point ones part ways."""

HEAD = ("id", "verb", "facts", "who")


class BadRequestError(BrinewrightError):
    """The input is no command that can be carried out; the text is the answer.

    Attributes:
        id: Given by the sender; empty when none could be read.
    """

    exit_code = ExitCode.USAGE

    def __init__(self, text: str, id_: str = "") -> None:
        """Keep the sentence and the id."""
        super().__init__(text)
        self.id = id_


@dataclass(frozen=True, slots=True)
class Request:
    """One command as its sender gave it.

    Attributes:
        id: Given by the sender; empty for none.
        verb: Of the command.
        who: Name that the sender gives; empty for none.
        facts: Arguments: texts, numbers, true, false and null.
    """

    id: str
    verb: str
    who: str
    facts: Mapping[str, JSON]


def parse(payload: bytes, size: int, allowed: Collection[str], setting: str) -> Request:
    """Return the request in a payload.

    Args:
        payload: JSON in UTF-8; not read when `size` is too large.
        size: How long it was, bytes.
        allowed: Verbs that may be used.
        setting: Key of the configuration that lists them.

    Raises:
        BadRequestError: It is no allowed request; says what is wrong.
    """
    return checked(read_object(payload, size), allowed, setting)


def checked(parsed: Mapping[str, JSON], allowed: Collection[str], setting: str) -> Request:
    """Return the request in an object.

    Args:
        parsed: The object, of any size and content.
        allowed: Verbs that may be used.
        setting: Key of the configuration that lists them.

    Raises:
        BadRequestError: It is no allowed request; says what is wrong.
    """
    id_ = _text(parsed, "id", LONGEST_ID, "")
    verb = _text(parsed, "verb", LONGEST_NAME, id_)
    if not verb:
        raise BadRequestError('a "verb" is missing, such as "batch.confirm"', id_)
    if verb not in allowed:
        raise BadRequestError(
            f"{verb!r} is not allowed here; allowed are {', '.join(allowed) or 'none'} ({setting})",
            id_,
        )
    return Request(id_, verb, _text(parsed, "who", LONGEST_WHO, id_), _facts(parsed, id_))


def answer_of(event: Event) -> dict[str, JSON]:
    """Return the reply for the sender of a command, from its answer in the journal.

    An answer that another version wrote is passed on as far as it says the same.
    """
    match event.body:
        case CommandAnswered(id=id_, verb=verb, ok=ok, answer=answer):
            pass
        case other:
            facts = facts_of(other)
            id_, verb, answer = (str(facts.get(key, "")) for key in ("id", "verb", "answer"))
            ok = facts.get("ok") is True
    return {
        "id": id_,
        "verb": verb,
        "reservoir": event.reservoir,
        "ok": ok,
        "answer": answer,
        "batch": event.batch or None,
    }


def read_object(payload: bytes, size: int) -> dict[str, JSON]:
    """Return the object that a payload is, as `parse` takes it.

    Raises:
        BadRequestError: It is too large, or none.
    """
    if size > LARGEST_BYTES:
        raise BadRequestError(f"{size} bytes are too many; {LARGEST_BYTES} are allowed")
    try:
        parsed = json.loads(
            payload.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_each_once
        )
        json.dumps(parsed, ensure_ascii=False).encode()  # finds half surrogate pairs
    except UnicodeError:
        raise BadRequestError("it is not UTF-8 text") from None
    except (ValueError, RecursionError):
        raise BadRequestError('it is not JSON such as {"verb": "batch.confirm"}') from None
    if not isinstance(parsed, dict):
        raise BadRequestError('it is JSON, but no object such as {"verb": "batch.confirm"}')
    return parsed


def _each_once(pairs: list[tuple[str, JSON]]) -> dict[str, JSON]:
    """Refuse what readers of JSON understand differently: RFC 8259, 4."""
    members = dict(pairs)
    if len(members) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise BadRequestError(f"{_quoted(twice)} is twice in one object")
    return members


def _no_number(name: str) -> JSON:
    raise ValueError(name)


def _text(parsed: Mapping[str, JSON], key: str, longest: int, id_: str) -> str:
    value = parsed.get(key)
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > longest or not value.isprintable():
        raise BadRequestError(
            f'"{key}" must be a text of at most {longest} characters on one line', id_
        )
    return value.strip()


def _facts(parsed: Mapping[str, JSON], id_: str) -> dict[str, JSON]:
    inner = parsed.get("facts")
    if inner is not None and not isinstance(inner, dict):
        raise BadRequestError('"facts" must be an object such as {"volume_l": 40}', id_)
    beside = {key: value for key, value in parsed.items() if key not in HEAD}
    if twice := sorted(beside.keys() & (inner or {}).keys()):
        raise BadRequestError(f"{_quoted(twice[0])} is given twice, in facts and beside them", id_)
    facts = {**beside, **(inner or {})}
    if len(facts) > MOST_FACTS:
        raise BadRequestError(f"{len(facts)} arguments are too many; {MOST_FACTS} are allowed", id_)
    for key, value in facts.items():
        _check(key, value, id_)
    return facts


def _check(key: str, value: JSON, id_: str) -> None:
    if not key or len(key) > LONGEST_NAME or not key.isprintable():
        raise BadRequestError(f"{_quoted(key)} is no name of an argument", id_)
    if isinstance(value, str):
        if len(value) > LONGEST_TEXT:
            raise BadRequestError(f"{key} is longer than {LONGEST_TEXT} characters", id_)
    elif isinstance(value, int | float):
        if not -LARGEST_NUMBER <= value <= LARGEST_NUMBER:
            raise BadRequestError(f"{key} is larger than any number that makes sense", id_)
    elif value is not None:
        raise BadRequestError(f"{key} must be a text, a number, true, false or null", id_)


def _quoted(name: str) -> str:
    return repr(name[:LONGEST_NAME])
