"""What a form or a small tool posts: where it comes from, and the command in it.

A page elsewhere can have a browser post forms here, in the name of whoever sits before it.
Browsers say where a form comes from, and our own forms carry a secret that no other page
can read.  JSON comes from tools alone: it needs a header that a browser sends for another
page only after that page was given leave, and none is.

Source: Fetch Standard, "Origin" and CORS-preflight; Fetch Metadata Request Headers (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from urllib.parse import parse_qsl

from daemon.entries import JSON
from daemon.journal.command_format import (
    LARGEST_BYTES,
    LONGEST_NAME,
    BadRequestError,
    Request,
    checked,
    read_object,
)

SETTING = "page.commands"
TOOL_HEADER = "HTTP_X_BRINEWRIGHT"
MOST_FIELDS = 30
NUMBERS = frozenset(
    {
        *("mass_g", "volume_l", "heel_volume_l", "heel_salinity", "salinity", "specific_gravity"),
        *("refractive_index", "temperature_C", "u_ppt", "bought_g", "left_g", "label_yield"),
        *("thermometer_tolerance_C", "value_C", "hours", "minutes"),
    }
)
"""Arguments that are numbers, which a form can only give as text."""
FLAGS = frozenset({"all", "anyway"})
"""Likewise, those that are true or false."""
TRUTH = {"true": True, "false": False}

_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?", re.ASCII)


def foreign(environ: Mapping[str, object]) -> bool:
    """Return whether a browser says that a request comes from another page than ours."""
    if environ.get("HTTP_SEC_FETCH_SITE") not in (None, "same-origin"):
        return True
    origin, host = environ.get("HTTP_ORIGIN"), str(environ.get("HTTP_HOST", "")).lower()
    return origin is not None and str(origin).lower() not in (f"http://{host}", f"https://{host}")


def from_a_tool(environ: Mapping[str, object]) -> bool:
    """Return whether a request is one that no page elsewhere could have had sent."""
    of_browsers = ("HTTP_ORIGIN", "HTTP_SEC_FETCH_SITE")
    return environ.get(TOOL_HEADER) == "1" and not any(name in environ for name in of_browsers)


def fields_of(body: bytes) -> dict[str, str]:
    """Return the fields of a posted form by name; those that are empty are left out.

    Raises:
        BadRequestError: It is no form; says what is wrong.
    """
    if len(body) > LARGEST_BYTES:
        raise BadRequestError(f"{len(body)} bytes are too many; {LARGEST_BYTES} are allowed")
    try:
        pairs = parse_qsl(
            body.decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=MOST_FIELDS,
        )
    except ValueError:
        raise BadRequestError("it is not a form as browsers send them") from None
    fields = dict(pairs)
    if len(fields) < len(pairs):
        raise BadRequestError("a field is twice in the form")
    return {name: value.strip() for name, value in fields.items() if value.strip()}


def from_fields(fields: Mapping[str, str]) -> dict[str, JSON]:
    """Return the fields of a form as an object.

    Raises:
        BadRequestError: A number is none.
    """
    return {name: _value(name, value) for name, value in fields.items()}


def _value(name: str, value: str) -> JSON:
    if name in FLAGS:
        return TRUTH.get(value, value)
    if name not in NUMBERS:
        return value
    if not _NUMBER.fullmatch(value):
        raise BadRequestError(f"{name} = {value[:LONGEST_NAME]!r} is not a number such as 40.5")
    return float(value)


def from_json(body: bytes) -> dict[str, JSON]:
    """Return the object that a tool posted.

    Raises:
        BadRequestError: It is none.
    """
    return read_object(body, len(body))


def request_of(
    posted: Mapping[str, JSON], allowed: Collection[str], reservoirs: Collection[str]
) -> tuple[Request, str]:
    """Return the request in an object, and its reservoir; empty for the station.

    Args:
        posted: The object; untrusted.
        allowed: Verbs that may be sent.
        reservoirs: Names of all.

    Raises:
        BadRequestError: It is no request that may be sent; says what is wrong.
    """
    reservoir = "" if posted.get("reservoir") is None else posted["reservoir"]
    if reservoir not in ("", *reservoirs):
        known = ", ".join(reservoirs)
        raise BadRequestError(f"there is no reservoir of that name; known: {known}")
    rest = {name: value for name, value in posted.items() if name not in ("reservoir", "token")}
    request = checked(rest, allowed, SETTING)
    if not request.who:
        raise BadRequestError('a name is missing: "who" says who sends the command', request.id)
    return request, str(reservoir)
