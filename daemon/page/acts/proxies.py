"""Proxies whose headers count: who logged in, from where, and whether over https.

Only the address at the other end of the connection decides: a header says nothing of its own
origin.

Source: RFC 7239 (2014), 8.1, on trust in what proxies add; `X-Forwarded-For` and
`X-Forwarded-Proto` as is common practice (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from daemon.errors import InputError
from daemon.journal.command_format import LONGEST_WHO
from daemon.page.peer import source_of


@dataclass(frozen=True, slots=True)
class Proxies:
    """Those that are trusted.

    Attributes:
        networks: Where they are.
    """

    networks: tuple[IPv4Network | IPv6Network, ...] = ()

    def trusted(self, environ: Mapping[str, object]) -> bool:
        """Return whether a request comes from one of them."""
        return self._holds(str(environ.get("REMOTE_ADDR", "")))

    def over_https(self, environ: Mapping[str, object]) -> bool:
        """Return whether one of them says that the browser spoke https with it."""
        said = str(environ.get("HTTP_X_FORWARDED_PROTO", "")).rpartition(",")[2]
        return self.trusted(environ) and said.strip().lower() == "https"

    def source(self, environ: Mapping[str, object]) -> str:
        """Return who a request comes from: the last address on its way that is not one of them."""
        way = str(environ.get("HTTP_X_FORWARDED_FOR", "")).split(",")
        address = str(environ.get("REMOTE_ADDR", ""))
        while self._holds(address) and way:
            before = way.pop().strip()
            if _address(before) is None:
                break
            address = before
        return source_of(address)

    def _holds(self, address: str) -> bool:
        found = _address(address)
        return found is not None and any(found in network for network in self.networks)


class NoLoginError(InputError):
    """A header holds no login that can be recorded; the text says why."""


def login(environ: Mapping[str, object], header: str) -> str:
    """Return who logged in, as a header of a trusted proxy says.

    Args:
        environ: Of the request.
        header: Name of the header.

    Raises:
        NoLoginError: It is missing, or cannot be one name.
    """
    raw = environ.get(f"HTTP_{header.upper().replace('-', '_')}")
    if raw is None or not str(raw).strip():
        raise NoLoginError(f"the proxy passes on no login: the header {header} is missing")
    try:
        name = str(raw).encode("latin-1").decode("utf-8").strip()
    except UnicodeError:
        raise NoLoginError(f"the login in the header {header} is not UTF-8 text") from None
    if "," in name:  # two headers of one name are joined by a comma on their way
        raise NoLoginError(
            f"the header {header} came twice, or holds a comma: the proxy must replace what a"
            " browser sends by one login without a comma"
        )
    if not name.isprintable() or len(name) > LONGEST_WHO:
        raise NoLoginError(
            f"the login in the header {header} must have at most {LONGEST_WHO} characters, all of"
            " them printable"
        )
    return name


def proxies(addresses: Iterable[str]) -> Proxies:
    """Return those at some addresses and networks."""
    return Proxies(tuple(ip_network(each) for each in addresses))


def _address(text: str) -> IPv4Address | IPv6Address | None:
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
    return mapped or found
