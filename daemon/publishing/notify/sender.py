"""The program that sends one message through the Apprise library, and ends.

A line of JSON comes in: `addresses` to check, or an `address` with `title`, `body` and `kind`.
A line goes out: which of the addresses are of use, or why the message was not accepted, which is
empty when it was.  It ends at once where the process that started it does.

The library gives its reasons only in its log, with addresses in them; whoever shows a reason
hides them first.
"""

from __future__ import annotations

import json
import logging
import os
import re
import signal
import sys
from threading import Thread

from apprise import NotifyFormat, NotifyType

from daemon.publishing.notify.plugin import open_service

SOCKET_ERROR = "Socket Exception: "
ERRNO = re.compile(r"\[Errno -?\d+\] ([A-Z][\w ]+)")
STDIN = 0


class LibraryLog(logging.Handler):
    """Keeps the last record of each kind of the library: the warning, and the error behind it."""

    def __init__(self) -> None:
        """Keep nothing yet."""
        super().__init__(logging.DEBUG)
        self._warning = self._error = ""

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a record that gives a reason."""
        text = record.getMessage()
        if record.levelno >= logging.WARNING:
            self._warning = text
        elif text.startswith(SOCKET_ERROR):
            self._error = text.removeprefix(SOCKET_ERROR)

    def reason(self) -> str:
        """Return the last reason; empty when there is none."""
        plain = ERRNO.search(self._error)
        error = plain[1] if plain else self._error
        return ": ".join(part.strip(" .") for part in (self._warning, error) if part)


def usable(addresses: list[str]) -> list[bool]:
    """Return of each address whether the library can use it."""
    return [open_service(each) is not None for each in addresses]


def send(address: str, title: str, body: str, kind: str, log: LibraryLog) -> str:
    """Deliver a text, as long as it takes; return why it was not accepted, empty when it was."""
    service = open_service(address)
    if service is None:
        return log.reason() or "the library cannot use the address any more"
    try:
        accepted = service.notify(
            body=body, title=title, notify_type=NotifyType(kind), body_format=NotifyFormat.TEXT
        )
    except Exception as exc:  # noqa: BLE001 - a plugin may raise whatever its own library does
        return f"the delivery failed: {type(exc).__name__}"
    return "" if accepted else log.reason() or "it was not accepted, and no reason was given"


def capture_log() -> LibraryLog:
    """Have the library's log kept, and nowhere shown."""
    library, log = logging.getLogger("apprise"), LibraryLog()
    library.propagate = False
    library.setLevel(logging.DEBUG)  # the reason of a failure has no higher level than that
    library.addHandler(log)
    return log


def main() -> None:
    """Do what the line says."""
    for number in (signal.SIGTERM, signal.SIGINT):
        # Meant for the process that started it, which waits a moment for what is on its way.
        signal.signal(number, signal.SIG_IGN)
    order = json.loads(sys.stdin.readline())
    Thread(target=_end_with_other_side, daemon=True).start()
    log = capture_log()
    answer = usable(**order) if "addresses" in order else send(**order, log=log)
    print(json.dumps(answer), flush=True)  # noqa: T201 - this is how it answers


def _end_with_other_side() -> None:
    # Nothing more is written there: what can be read is the end.
    os.read(STDIN, 1)
    os._exit(1)


if __name__ == "__main__":
    main()
