"""Telling the service manager how we are: one datagram, no library needed.

Source: sd_notify(3): a datagram to the socket named by NOTIFY_SOCKET, where a
leading '@' stands for an abstract address.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def notify(message: str) -> None:
    """Send e.g. `READY=1`; silent where no service manager listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        # A service manager that does not listen just now must not hold up measuring.
        channel.settimeout(0.0)
        channel.sendto(message.encode(), address)
