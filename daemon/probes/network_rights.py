"""Whether this process may use a network at all, which the service does only where it was given."""

from __future__ import annotations

import errno
import socket

BARRED = (
    "the service has no network; run 'sudo deploy/install' once more, which gives it one where the"
    " configuration needs it"
)


def network_barred() -> str:
    """Return why no address can be reached from here, and what to do; empty where one may be."""
    try:
        socket.socket(socket.AF_INET, socket.SOCK_STREAM).close()
    except OSError as exc:
        # The answer of RestrictAddressFamilies= of the unit file.
        return BARRED if exc.errno == errno.EAFNOSUPPORT else ""
    return ""
