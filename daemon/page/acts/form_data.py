"""What a browser or a small tool posts: where it comes from, and what is in it.

A page elsewhere can have a browser post forms here, in the name of whoever sits before it.
Browsers say where a form comes from, and our own forms carry a secret that no other page
can read.  JSON comes from tools alone: it needs a header that a browser sends for another
page only after that page was given leave, and none is.

Source: Fetch Standard, "Origin" and CORS-preflight; Fetch Metadata Request Headers (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl

from daemon.entries import JSON
from daemon.journal.command_format import (
    LARGEST_BYTES,
    BadRequestError,
    Request,
    checked,
    read_object,
)

if TYPE_CHECKING:
    from wsgiref.types import WSGIEnvironment

SETTING = "page.commands"
TOOL_HEADER = "HTTP_X_BRINEWRIGHT"
BEARER = "bearer "
MOST_FIELDS = 30
ACT_PAGE = "/act"
FORM = "application/x-www-form-urlencoded"

_PATH = re.compile(r"/(?:[A-Za-z0-9._~-]+(?:/[A-Za-z0-9._~-]+)*)?", re.ASCII)


def body_of(environ: WSGIEnvironment) -> bytes:
    """Return the body of a request, and one byte of what is too much."""
    return bytes(environ["wsgi.input"].read(LARGEST_BYTES + 1))


def foreign(environ: Mapping[str, object]) -> bool:
    """Return whether a browser says that a request comes from another page than ours."""
    if environ.get("HTTP_SEC_FETCH_SITE") not in (None, "same-origin"):
        return True
    origin, host = environ.get("HTTP_ORIGIN"), str(environ.get("HTTP_HOST", "")).lower()
    return origin is not None and str(origin).lower() not in (f"http://{host}", f"https://{host}")


def surely_ours(environ: Mapping[str, object]) -> bool:
    """Return whether a browser says that a request comes from a page of ours."""
    says = "HTTP_ORIGIN" in environ or "HTTP_SEC_FETCH_SITE" in environ
    return says and not foreign(environ)


def of_a_browser(environ: Mapping[str, object]) -> bool:
    """Return whether a request has a header that browsers alone send."""
    return any(name in environ for name in ("HTTP_ORIGIN", "HTTP_SEC_FETCH_SITE"))


def from_a_tool(environ: Mapping[str, object]) -> bool:
    """Return whether a request is one that no page elsewhere could have had sent."""
    bearer = str(environ.get("HTTP_AUTHORIZATION", "")).lower().startswith(BEARER)
    marked = environ.get(TOOL_HEADER) == "1" or bearer
    return marked and not of_a_browser(environ)


def own_path(path: str) -> str:
    """Return the path of a page of ours; that of the forms in place of anything else."""
    return path if _PATH.fullmatch(path) else ACT_PAGE


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


def fields_of_press(value: str) -> dict[str, str]:
    """Return the fields of a form from what one of its buttons carries.

    Raises:
        BadRequestError: It is nothing that a button of ours carries.
    """
    carried = read_object(value.encode("utf-8", "replace"), len(value))
    if not all(isinstance(each, str) for each in carried.values()):
        raise BadRequestError("it is nothing that a button of this page carries")
    return {name: str(each) for name, each in carried.items() if each}


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
    rest = {name: value for name, value in posted.items() if name != "reservoir"}
    request = checked(rest, allowed, SETTING)
    if not request.who:
        raise BadRequestError('a name is missing: "who" says who sends the command', request.id)
    return request, str(reservoir)
