"""Cookies say what they were made to say, and others say nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.acts.cookies import cookie, cookie_text, cookie_value, text_cookie
from daemon.page.acts.names import COOKIE, clean_name, remembered_name


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=30))
def test_any_text_comes_back(text: str) -> None:
    """Whatever separators and line ends are in it: none ends the header."""
    name, header = text_cookie("n", text, 60, secure=False)
    sent = header.partition(";")[0]

    assert ("Set-Cookie", True) == (name, header.isprintable())
    assert text == cookie_text({"HTTP_COOKIE": f"other=1; {sent}; more=2"}, "n")


@pytest.mark.parametrize("header", ["", "n", "m=1", "n=1; n=2", "n=" + "1" * 401, "x n=1"])
def test_what_is_no_one_cookie_says_nothing(header: str) -> None:
    """Two of one name come of a foreign page beside ours: neither is believed."""
    assert "" == cookie_value({"HTTP_COOKIE": header}, "n")


@pytest.mark.parametrize("secure", [False, True])
def test_a_cookie_is_for_our_own_requests_alone(secure: bool) -> None:  # noqa: FBT001 - a case
    """No script reads it, and no other site has it sent."""
    _, header = cookie("n", "v", 60, secure=secure)

    assert header.startswith("n=v; Max-Age=60; Path=/; HttpOnly; SameSite=Strict")
    assert secure is header.endswith("; Secure")


@given(st.text(max_size=60))
def test_a_remembered_name_can_be_recorded(text: str) -> None:
    """Or there is none; a cookie is anybody's to change."""
    found = remembered_name({"HTTP_COOKIE": f"{COOKIE}={text}"})

    assert found == clean_name(found)
    assert found.isprintable()
    assert len(found) <= 40
