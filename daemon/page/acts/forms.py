"""A form as a page has it, and what a filled-in one says.

Each form carries an id made for it, so that one sent twice is carried out once.  What was typed
stays in it when something in it is wrong.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

from daemon.entries import JSON
from daemon.errors import InputError
from daemon.journal.command_format import LONGEST_WHO
from daemon.journal.rows import to_json
from daemon.page.acts.access import Visitor
from daemon.page.acts.kinds import Field, FormKind
from daemon.page.acts.offers import Offer
from daemon.page.acts.quantity import QuantityError, parse_quantity

STATION = "station"
"""In the name of a place on a page: what belongs to no reservoir."""
OWN = frozenset({"token", "id", "who", "kind", "reservoir", "here", "press", "page", "since"})
"""Fields of the form itself, which are no arguments of its command."""
NAME = Field("who", "Your name", longest=LONGEST_WHO, hint="it stands in the record")
NOTHING: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class FilledField:
    """A field with what was typed into it.

    Attributes:
        field: The field.
        value: What was typed; "true" for a tick that is set.
        error: What is wrong with it, as a sentence; empty where nothing is.
    """

    field: Field
    value: str = ""
    error: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """A form to be shown.

    Attributes:
        id: Of its element on the page.
        kind: Its name among the kinds.
        title: What it is for.
        button: What its button says.
        place: Where on the page its answer is shown.
        hidden: What it carries without being filled in.
        fields: What is filled in.
        name: Under which it is recorded; empty where that is one of the fields.
        logged_in: Whether that name is of a login.
        error: What is wrong with the whole of it, as a sentence; may be empty.
    """

    id: str
    kind: str
    title: str
    button: str
    place: str
    hidden: Mapping[str, str] = field(repr=False)
    fields: tuple[FilledField, ...] = ()
    name: str = ""
    logged_in: bool = False
    error: str = ""

    @property
    def wrong(self) -> bool:
        """Whether something is wrong with it."""
        return bool(self.error) or any(each.error for each in self.fields)

    @property
    def filled(self) -> bool:
        """Whether something was typed into it."""
        return any(each.value for each in self.fields)


@dataclass(frozen=True, slots=True)
class Press:
    """An act that is one button, and the same for every browser.

    It belongs to the one form `presses` of its page, and may be part of what all pages are sent.

    Attributes:
        button: What it says.
        value: What it carries.
        kind: Its name among the kinds.
    """

    button: str
    value: str
    kind: str


def place_of(kind: FormKind, reservoir: str) -> str:
    """Return where on a page a form and its answer belong."""
    return f"{reservoir or STATION}-{kind.group}"


def new_form(
    offer: Offer,
    kind: FormKind,
    visitor: Visitor,
    id_: str,
    here: str,
    typed: Mapping[str, str] = NOTHING,
) -> Form:
    """Return the form of an offer.

    Args:
        offer: What it is about.
        kind: Its kind.
        visitor: Who is to fill it in.
        id_: Of the command that it becomes.
        here: Path of the page that it stands on.
        typed: What stands in it already.
    """
    hidden = {"id": id_, "kind": offer.kind, "reservoir": offer.reservoir, "here": here}
    form = make_form(kind, visitor, {**hidden, **offer.about, **typed})
    return replace(form, button=offer.button) if offer.button else form


def make_form(
    kind: FormKind,
    visitor: Visitor,
    posted: Mapping[str, str],
    errors: Mapping[str, str] = NOTHING,
    error: str = "",
) -> Form:
    """Return a form with what was posted in it.

    Args:
        kind: Its kind.
        visitor: Who is to fill it in.
        posted: All of its fields, hidden or not.
        errors: What is wrong with some of them.
        error: What is wrong with the whole of it.
    """
    named = visitor.name or not (kind.fields or errors)
    fields = kind.fields if named else (NAME, *kind.fields)
    names = {each.name for each in fields}
    hidden = {name: value for name, value in posted.items() if name not in names}
    hidden["token"] = visitor.form_token
    if visitor.logged_in:
        hidden.pop("who", None)
    elif visitor.name:
        hidden["who"] = visitor.name
    key = hashlib.sha256(posted.get("id", "").encode("utf-8", "replace")).hexdigest()[:12]
    return Form(
        f"form-{key}",
        posted.get("kind", ""),
        kind.title,
        kind.button,
        place_of(kind, posted.get("reservoir", "")),
        hidden,
        tuple(
            FilledField(each, posted.get(each.name, ""), errors.get(each.name, ""))
            for each in fields
        ),
        visitor.name,
        visitor.logged_in,
        error,
    )


def press_of(offer: Offer, kind: FormKind) -> Press:
    """Return an offer with nothing to fill in as a button."""
    carried: dict[str, JSON] = {
        "kind": offer.kind,
        "reservoir": offer.reservoir,
        "since": offer.since,
        **offer.about,
    }
    return Press(offer.button or kind.button, to_json(carried), offer.kind)


def press_id(page: str, value: str) -> str:
    """Return the id of the command of a button: the same each time it is pressed on a page."""
    return hashlib.sha256(f"{page} {value}".encode("utf-8", "replace")).hexdigest()[:24]


def arguments_of(
    kind: FormKind, posted: Mapping[str, str]
) -> tuple[dict[str, JSON], dict[str, str]]:
    """Return the arguments in a posted form, and what is wrong with its fields by their names.

    Args:
        kind: Its kind.
        posted: Its fields; untrusted.
    """
    errors: dict[str, str] = {}
    own = {each.name for each in kind.fields}
    about = {name: value for name, value in posted.items() if name not in own | OWN}
    arguments: dict[str, JSON] = {**kind.fixed, **about}
    for each in kind.fields:
        try:
            value = _value(each, posted.get(each.name, ""))
        except _FieldError as exc:
            errors[each.name] = str(exc)
            continue
        if value is not None:
            arguments[each.name] = value
    return arguments, errors


def texts_of(facts: Mapping[str, JSON], names: Collection[str]) -> dict[str, str]:
    """Return arguments as they are typed, so that what was refused can be corrected."""
    return {
        name: _typed(value) for name, value in facts.items() if name in names and value is not None
    }


class _FieldError(InputError):
    """What is wrong with one field, as a sentence."""


def _value(each: Field, typed: str) -> JSON:
    """Return what a field says; None where nothing is to be sent of it."""
    if not typed:
        if each.required:
            raise _FieldError(
                "set this tick to go on" if each.shape == "consent" else "this is missing"
            )
        return None
    return _READERS[each.shape](each, typed)


def _number(each: Field, typed: str) -> JSON:
    try:
        value = parse_quantity(typed, each.unit, each.example)
    except QuantityError as exc:
        raise _FieldError(str(exc)) from exc
    if not each.low <= value <= each.high:
        high = f"{each.high:.7g} {each.unit}".rstrip()
        low = f"{each.low * 60.0:.4g} min" if each.unit == "h" else f"{each.low:.4g}"
        raise _FieldError(f"{value:.7g} is outside {low} to {high}")
    return value


def _line(each: Field, typed: str) -> JSON:
    text = " ".join(typed.split())
    if len(text) > each.longest:
        raise _FieldError(f"these are {len(text)} characters; {each.longest} are taken")
    return text


def _date(_each: Field, typed: str) -> JSON:
    try:
        return date.fromisoformat(typed).isoformat()
    except ValueError as exc:
        raise _FieldError(f"{typed[:20]!r} is no date such as 2031-05-04") from exc


def _tick(_each: Field, _typed: str) -> JSON:
    return True


def _consent(_each: Field, _typed: str) -> JSON:
    return None


_READERS: Mapping[str, Callable[[Field, str], JSON]] = {
    "number": _number,
    "line": _line,
    "lines": _line,
    "date": _date,
    "tick": _tick,
    "consent": _consent,
}


def _typed(value: JSON) -> str:
    if isinstance(value, bool):
        return "true" if value else ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)
