"""A network cable that can be pulled: two ends of it in two networks of their own.

Needs root and the program `ip`.  The thread that lays the cable is at its near end from then on,
with all that it starts; what is at the far end is done by a thread of this class.  What is pulled
says nothing to either side, as no server does that ends: connections stay open until one side
notices, and what is sent is lost.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Self, TypeVar

T = TypeVar("T")

NEW_NETWORK = 0x40000000
"""CLONE_NEWNET of unshare(2)."""
NEAR, FAR = "192.0.2.1", "192.0.2.2"
"""Addresses for documentation: RFC 5737."""


class Cable:
    """The cable."""

    def __init__(self) -> None:
        """Lay it."""
        _leave_network()
        self._far = ThreadPoolExecutor(1)
        number = self._far.submit(_number_in_new_network).result()
        for words in (
            "link set lo up",
            "link add near type veth peer name far",
            f"link set far netns {number}",
            f"addr add {NEAR}/30 dev near",
            "link set near up",
        ):
            _ip(words)
        for words in ("link set lo up", f"addr add {FAR}/30 dev far", "link set far up"):
            self.at_far_end(lambda words=words: _ip(words))  # type: ignore[misc]

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _exc: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        """Take it away."""
        _ip("link delete near")
        self._far.shutdown()

    def at_far_end(self, work: Callable[[], T]) -> T:
        """Return what a function returns that is called at the far end."""
        return self._far.submit(work).result()

    def pull(self, *, here: bool) -> None:
        """Pull it, from this machine or from the other one."""
        self._set("down", here=here)

    def plug(self, *, here: bool) -> None:
        """Put it back where it was pulled."""
        self._set("up", here=here)

    def _set(self, state: str, *, here: bool) -> None:
        if here:
            _ip(f"link set near {state}")
        else:
            self.at_far_end(lambda: _ip(f"link set far {state}"))


def _leave_network() -> None:
    if ctypes.CDLL(None, use_errno=True).unshare(NEW_NETWORK):
        number = ctypes.get_errno()
        raise OSError(number, f"no network of its own: {os.strerror(number)}; run this as root")


def _number_in_new_network() -> int:
    _leave_network()
    return threading.get_native_id()


def _ip(words: str) -> None:
    subprocess.run(["ip", *words.split()], check=True)
