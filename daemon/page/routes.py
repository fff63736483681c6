"""Which address is answered by what."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from daemon.page.request import Request
from daemon.page.response import Response

Answer = Callable[[Request, Mapping[str, str]], Response]
"""Takes a request and the parameters of its path."""


@dataclass(frozen=True, slots=True)
class Route:
    """One address.

    Attributes:
        path: Its path; a segment such as `{batch}` stands for any one that is not empty.
        answer: Answers a request for it.
        methods: That it takes; HEAD comes with GET.
        listed: Whether it is named to who asks for an address that is not there.
    """

    path: str
    answer: Answer
    methods: tuple[str, ...] = ("GET",)
    listed: bool = True

    @property
    def all_methods(self) -> tuple[str, ...]:
        """Its methods, with HEAD where there is GET; sorted as they are told to others."""
        more = ("HEAD",) if "GET" in self.methods else ()
        return tuple(sorted({*self.methods, *more}))

    def parameters(self, path: str) -> dict[str, str] | None:
        """Return the parameters in a path; None where it is another route's."""
        own, given = self.path.split("/"), path.split("/")
        if len(own) != len(given):
            return None
        found: dict[str, str] = {}
        for mine, other in zip(own, given, strict=True):
            if mine.startswith("{") and other:
                found[mine[1:-1]] = other
            elif mine != other:
                return None
        return found


@dataclass(frozen=True, slots=True)
class Match:
    """A route, and the parameters of the path that led to it."""

    route: Route
    parameters: Mapping[str, str]


def find_route(routes: Iterable[Route], path: str) -> Match | None:
    """Return the route of a path: the first that fits; None where there is none.

    A route without parameters is to stand before one that has any.
    """
    for route in routes:
        found = route.parameters(path)
        if found is not None:
            return Match(route, found)
    return None


def in_order(routes: Iterable[Route]) -> tuple[Route, ...]:
    """Return routes so that an address of its own goes before a pattern that fits it, too."""
    return tuple(sorted(routes, key=lambda route: "{" in route.path))
