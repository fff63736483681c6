"""What a proxy says counts only where the connection itself comes from one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.acts.proxies import NoLoginError, login, proxies

PROXIES = proxies(["10.20.0.0/28", "127.0.0.1", "fd00::1"])


@pytest.mark.parametrize(
    "address, trusted",
    [
        ("10.20.0.3", True),
        ("10.20.0.16", False),
        ("127.0.0.1", True),
        ("::ffff:127.0.0.1", True),
        ("127.0.0.2", False),
        ("fd00::1", True),
        ("fd00::1%eth0", True),
        ("fd00::2", False),
        ("", False),
        ("localhost", False),
    ],
)
def test_an_address_is_trusted_where_it_is_listed(address: str, trusted: object) -> None:
    """By itself or in a network; one of IPv4 within IPv6 too."""
    assert trusted is PROXIES.trusted({"REMOTE_ADDR": address})


@pytest.mark.parametrize(
    "peer, said, https",
    [
        ("127.0.0.1", "https", True),
        ("127.0.0.1", " HTTPS ", True),
        ("127.0.0.1", "https, http", False),
        ("127.0.0.1", "http", False),
        ("127.0.0.1", "", False),
        ("192.0.2.7", "https", False),
    ],
)
def test_https_is_believed_of_a_proxy_alone(peer: str, said: str, https: object) -> None:
    """The last word is that of the proxy next to us."""
    environ = {"REMOTE_ADDR": peer, "HTTP_X_FORWARDED_PROTO": said}

    assert https is PROXIES.over_https(environ)


@pytest.mark.parametrize(
    "peer, way, source",
    [
        ("192.0.2.7", "203.0.113.9", "192.0.2.7"),
        ("127.0.0.1", "203.0.113.9", "203.0.113.9"),
        ("127.0.0.1", "203.0.113.9, 10.20.0.3", "203.0.113.9"),
        ("127.0.0.1", "1.1.1.1, 203.0.113.9", "203.0.113.9"),
        ("127.0.0.1", "", "127.0.0.1"),
        ("127.0.0.1", "unknown", "127.0.0.1"),
        ("127.0.0.1", "2001:db8::5", "2001:db8::/64"),
    ],
)
def test_who_tries_is_the_last_that_is_no_proxy(peer: str, way: str, source: str) -> None:
    """What stands before that in the header may be anybody's invention."""
    assert source == PROXIES.source({"REMOTE_ADDR": peer, "HTTP_X_FORWARDED_FOR": way})


@given(st.text(max_size=60), st.text(max_size=60))
def test_no_header_brings_the_search_for_the_source_down(peer: str, way: str) -> None:
    """Some text comes of it."""
    environ = {"REMOTE_ADDR": peer, "HTTP_X_FORWARDED_FOR": way}

    assert isinstance(PROXIES.source(environ), str)


def test_a_login_is_taken_as_it_is() -> None:
    """With letters of any script, which come as bytes of UTF-8."""
    wire = "Zoë Ø".encode().decode("latin-1")

    assert "Zoë Ø" == login({"HTTP_X_REMOTE_USER": f" {wire} "}, "X-Remote-User")


@pytest.mark.parametrize(
    "value, words",
    [
        (None, "is missing"),
        ("  ", "is missing"),
        ("kim, eve", "came twice"),
        ("k" * 41, "at most 40 characters"),
        ("kim\x07", "printable"),
        ("\xff\xfe", "UTF-8"),
    ],
)
def test_what_is_no_one_name_is_no_login(value: str | None, words: str) -> None:
    """Nothing is cut, guessed or taken in part."""
    environ = {} if value is None else {"HTTP_X_REMOTE_USER": value}
    with pytest.raises(NoLoginError, match=words):
        login(environ, "X-Remote-User")
