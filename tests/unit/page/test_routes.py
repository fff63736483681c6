"""Which address leads where."""

from __future__ import annotations

import pytest

from daemon.page.request import BadQueryError, request_from
from daemon.page.routes import Route, find_route, in_order


def never(*_: object) -> object:
    """Answer nothing."""
    raise AssertionError("nobody asked")


def route(path: str, *methods: str) -> Route:
    """A route that is only looked for."""
    return Route(path, never, methods or ("GET",))  # type: ignore[arg-type]


ROUTES = in_order(
    [route("/batches/{batch}"), route("/batches/compare"), route("/"), route("/a/{b}/c")]
)


@pytest.mark.parametrize(
    "path, found, parameters",
    [
        ("/", "/", {}),
        ("/batches/compare", "/batches/compare", {}),
        ("/batches/mix-1-7", "/batches/{batch}", {"batch": "mix-1-7"}),
        ("/a/x/c", "/a/{b}/c", {"b": "x"}),
        ("/batches/é <b>", "/batches/{batch}", {"batch": "é <b>"}),
    ],
)
def test_an_address_of_its_own_goes_before_a_pattern(
    path: str, found: str, parameters: dict[str, str]
) -> None:
    """Whichever was named first."""
    match = find_route(ROUTES, path)

    assert match is not None
    assert (found, parameters) == (match.route.path, match.parameters)


@pytest.mark.parametrize("path", ["", "/x", "/batches", "/batches/", "/a//c", "/batches/a/b", "//"])
def test_an_address_that_is_not_there_leads_nowhere(path: str) -> None:
    """Neither does one whose parameter is empty."""
    assert find_route(ROUTES, path) is None


def test_who_may_read_may_ask_for_the_head() -> None:
    """And nothing more than the methods that were named."""
    assert ("GET", "HEAD", "POST") == route("/x", "POST", "GET").all_methods
    assert ("POST",) == route("/x", "POST").all_methods


@pytest.mark.parametrize("query", ["%ff=1", "&".join(f"a{n}=1" for n in range(40))])
def test_a_query_that_cannot_be_read_is_refused(query: str) -> None:
    """With a sentence, and before anybody answers."""
    with pytest.raises(BadQueryError, match="no text in UTF-8, or more than 32"):
        request_from({"QUERY_STRING": query})


def test_several_values_of_one_name_keep_their_order() -> None:
    """The first is the one where only one is looked for."""
    request = request_from({"QUERY_STRING": "batch=b&batch=a&x=", "PATH_INFO": "/"})

    assert (("b", "a"), "b", "") == (
        request.query["batch"],
        request.value("batch"),
        request.value("x"),
    )


def test_a_path_is_text_in_utf_8() -> None:
    """A server hands it on byte by byte; what is no text has a mark in its place."""
    paths = ["/batches/Vär-1".encode().decode("latin-1"), "/\xff"]

    assert ["/batches/Vär-1", "/\ufffd"] == [
        request_from({"QUERY_STRING": "", "PATH_INFO": path}).path for path in paths
    ]
