"""JSON pointers against the document and the pointers of RFC 6901, section 5."""

from __future__ import annotations

import pytest

from daemon.entries import JSON
from daemon.wire.json_pointer import json_pointer

DOCUMENT: JSON = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    "pointer, value",
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_a_pointer_of_the_standard_leads_to_its_value(pointer: str, value: JSON) -> None:
    """Source: RFC 6901, section 5."""
    assert value == json_pointer(pointer).value_in(DOCUMENT)


def test_an_escape_is_undone_once() -> None:
    """Source: RFC 6901, section 4: ~01 is ~1, and not a slash."""
    assert 9 == json_pointer("/~01").value_in({"~1": 9, "/": 8})


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/00", "/foo/bar", "/foo/0/x", "/no"])
def test_a_pointer_that_leads_nowhere_gives_no_value(pointer: str) -> None:
    """Source: RFC 6901, section 4: no leading zeros, and - is the element after the last one."""
    with pytest.raises(LookupError):
        json_pointer(pointer).value_in(DOCUMENT)


@pytest.mark.parametrize("text", ["foo", "/a~b", "/a~", "/a~2", "#/foo", "/" + "x" * 200])
def test_what_is_no_pointer_is_refused(text: str) -> None:
    """Source: RFC 6901, section 3; the length is our own limit."""
    with pytest.raises(ValueError, match=r"JSON pointer|characters long"):
        json_pointer(text)
