"""Keys of `[page]` that say who may act: checked alone, and with one another."""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import ip_address, ip_network

from daemon.config.rules import Table

_HEADER = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,59}")
_OF_BROWSERS = frozenset(
    {
        *("accept", "authorization", "connection", "content-length", "content-type", "cookie"),
        *("host", "origin", "referer", "user-agent", "x-brinewright", "x-forwarded-for"),
        "x-forwarded-proto",
    }
)
"""Headers with a meaning of their own, which hold no login."""
_NEEDED = (
    "nobody knows there who may act: give page.token_file (a token in a file), or"
    " page.login_header with page.trusted_proxies (a login behind a proxy), or let page.listen be"
    " an address of this machine alone such as '127.0.0.1:8407'"
)


def is_loopback(host: str) -> bool:
    """Return whether only this machine reaches an address."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def host_of(listen: str) -> str:
    """Return the host of `host:port`, without the brackets of IPv6."""
    return listen.rpartition(":")[0].strip("[]")


def header_name(value: str) -> str:
    """Return the name of a header that can hold a login, checked.

    Raises:
        ValueError: It is none.
    """
    if not _HEADER.fullmatch(value):
        msg = "it is no name of a header of letters, digits and hyphens"
        raise ValueError(msg)
    if value.lower() in _OF_BROWSERS or value.lower().startswith("sec-"):
        msg = "browsers and proxies use that header for something else"
        raise ValueError(msg)
    return value


def proxy_networks(value: tuple[str, ...]) -> tuple[str, ...]:
    """Return addresses and networks of proxies, checked.

    Raises:
        ValueError: One is none, or is every address.
    """
    for each in value:
        try:
            network = ip_network(each)
        except ValueError:
            msg = f"{each[:60]!r} is no address and no network such as '10.20.0.0/28'"
            raise ValueError(msg) from None
        if network.prefixlen == 0:
            msg = f"{each[:60]!r} is every address; name that of the proxy"
            raise ValueError(msg)
    return value


def page_crossings(table: Table) -> Iterator[tuple[str, str]]:
    """Yield keys of who may act that do not go with one another."""
    if "login_header" in table and "token_file" in table:
        yield "login_header", "and token_file are two ways to say who may act; keep one of them"
    if "login_header" in table and not table.get("trusted_proxies"):
        yield (
            "login_header",
            "needs trusted_proxies beside it: anybody can send that header, and only theirs counts",
        )
    if "trusted_proxies" in table and not {"token_file", "login_header"} & table.keys():
        yield "trusted_proxies", "needs login_header or token_file beside it"
    if "session_days" in table and "token_file" not in table:
        yield "session_days", "needs token_file beside it: nobody signs in without"
    listen = table.get("listen")
    if (
        table.get("commands")
        and isinstance(listen, str)
        and ":" in listen
        and not is_loopback(host_of(listen))
        and not {"token_file", "login_header"} & table.keys()
    ):
        yield "commands", f"cannot be sent over {listen!r}: {_NEEDED}"
