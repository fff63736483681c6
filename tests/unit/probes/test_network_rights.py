"""A service that was given no network says so, instead of blaming the instrument."""

from __future__ import annotations

import errno
import socket
from typing import NoReturn

import pytest

from daemon.probes.network_rights import BARRED, network_barred
from daemon.probes.tcp_transport import TcpTransport
from daemon.probes.transport import TransportError


def refuse(*_: object) -> NoReturn:
    """As the kernel does for an address family that a unit does not list."""
    raise OSError(errno.EAFNOSUPPORT, "Address family not supported by protocol")


def test_where_a_network_may_be_used_nothing_is_said() -> None:
    """As here."""
    assert "" == network_barred()


def test_without_a_network_a_connection_names_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    """The instrument may be well."""
    monkeypatch.setattr(socket, "socket", refuse)
    with pytest.raises(
        TransportError, match=r"192\.0\.2\.7:502 cannot be reached: the service has"
    ):
        TcpTransport("192.0.2.7", 502).open(0.0)

    assert BARRED == network_barred()
    assert "; " in BARRED
