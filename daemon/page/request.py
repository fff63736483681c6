"""One request as the rooms of the page take it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from daemon.errors import BrinewrightError

if TYPE_CHECKING:
    from wsgiref.types import WSGIEnvironment

REQUESTED_S = "brinewright.requested_s"
"""What the server calls the moment at which a request came, monotonic s."""
MOST_PARAMETERS = 32


class BadQueryError(BrinewrightError):
    """What follows the question mark cannot be read."""


@dataclass(frozen=True, slots=True)
class Request:
    """What a browser or a program wants.

    Attributes:
        method: GET, HEAD or POST.
        path: Of the address, decoded.
        query: Values of each parameter, by name, in their order; empty ones are left out.
        requested_s: When it came, monotonic s; what is shown is never from before that.
        environ: The rest of it, as PEP 3333 has it.
        blanks: Names of parameters without a value, as a form sends what is not filled in.
    """

    method: str
    path: str
    query: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    requested_s: float = float("inf")
    environ: WSGIEnvironment = field(default_factory=dict)
    blanks: frozenset[str] = frozenset()

    def value(self, name: str) -> str:
        """Return the first value of a parameter; empty where there is none."""
        return next(iter(self.query.get(name, ())), "")


def request_from(environ: WSGIEnvironment) -> Request:
    """Return the request of an environment.

    Raises:
        BadQueryError: Its query is no UTF-8, or has too many parameters.
    """
    try:
        found = parse_qs(
            environ.get("QUERY_STRING", ""),
            max_num_fields=MOST_PARAMETERS,
            errors="strict",
            keep_blank_values=True,
        )
    except ValueError:
        raise BadQueryError(
            f"what follows the ? of the address is no text in UTF-8, or more than"
            f" {MOST_PARAMETERS} parameters"
        ) from None
    return Request(
        environ.get("REQUEST_METHOD", ""),
        path_in(environ),
        {name: given for name, values in found.items() if (given := tuple(filter(None, values)))},
        environ.get(REQUESTED_S, float("inf")),
        environ,
        frozenset(name for name, values in found.items() if "" in values),
    )


def path_in(environ: WSGIEnvironment) -> str:
    """Return the path of a request as text; a server hands on each byte as a sign (PEP 3333)."""
    path: str = environ.get("PATH_INFO", "")
    return path.encode("latin-1", errors="replace").decode(errors="replace")
