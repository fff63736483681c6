"""What may block in the kernel, done by a thread: one for each bus, none of which can delay more.

A serial port or a socket says when it can be read without waiting.  A file of the kernel's, an
I2C transfer or the lookup of a name does not: a read of it takes as long as the bus, and where
the hardware hangs, it does not return at all.  Such work is submitted here, and the loop selects
on a descriptor until it is done.  A thread that hangs is left where it is: it holds up what waits
behind it on the same bus and nothing else, not even the end of the process.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Outcome(Generic[T]):
    """What came of a request: what its function returned, or what it raised."""

    returned: T | None
    raised: Exception | None = None

    def value(self) -> T:
        """Return what the function returned.

        Raises:
            Exception: The function raised it; whatever it is, for the driver to judge.
        """
        if self.raised is not None:
            raise self.raised
        # What a function returns may be None itself.
        return self.returned  # type: ignore[return-value]


class Background:
    """One thread, which does what its callers submit, one thing at a time and in order.

    It is a daemon thread, begun by the first request and ended when no caller is open.  After a
    hang it goes on as soon as the function that hangs returns; there is never a second thread on
    the same bus.
    """

    def __init__(self, name: str) -> None:
        """Begin with nothing to do.

        Args:
            name: Of the bus, for whoever looks at the threads of the process.
        """
        self._name = name
        self._changed = threading.Condition()
        self._waiting: deque[_Request] = deque()
        self._callers = 0
        self._thread: threading.Thread | None = None

    def put(self, request: _Request) -> None:
        """Have a request carried out after those that wait."""
        with self._changed:
            self._waiting.append(request)
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
                self._thread.start()
            self._changed.notify()

    def forget(self, request: _Request) -> None:
        """Let a request go that nobody waits for; where it runs already, nothing comes of it."""
        with self._changed, suppress(ValueError):
            self._waiting.remove(request)

    def opened(self) -> None:
        """Count a caller that may submit."""
        with self._changed:
            self._callers += 1

    def closed(self) -> None:
        """Count a caller less; without one, the thread ends when it has nothing to do."""
        with self._changed:
            self._callers -= 1
            self._changed.notify()

    def _run(self) -> None:
        while (request := self._next()) is not None:
            request.carry_out()

    def _next(self) -> _Request | None:
        with self._changed:
            while not self._waiting:
                if self._callers == 0:
                    self._thread = None
                    return None
                self._changed.wait()
            return self._waiting.popleft()


class Caller(Generic[T]):
    """The requests of one driver to a background: one at a time, and only its own answer.

    None of its methods waits.  All are for one thread, that of the driver.
    """

    def __init__(self, background: Background) -> None:
        """Begin without a request; no descriptor is open yet."""
        self._background = background
        self._request: _Request | None = None
        self._bell: _Bell | None = None

    @property
    def outstanding(self) -> bool:
        """Whether a request was submitted of which nothing was taken yet."""
        return self._request is not None

    def fileno(self) -> int | None:
        """Return the descriptor that can be read once something came; None before any request."""
        return None if self._bell is None else self._bell.descriptor

    def submit(self, work: Callable[[], T]) -> None:
        """Have the thread call a function; one that was submitted before it is given up."""
        self.give_up()
        if self._bell is None:
            self._bell = _Bell()
            self._background.opened()
        self._request = _Request(work, self._bell)
        self._background.put(self._request)

    def take(self) -> Outcome[T] | None:
        """Return what came of the request that is outstanding; None while nothing did."""
        if self._bell is not None:
            self._bell.silence()
        request = self._request
        if request is None or request.outcome is None:
            return None
        self._request = None
        return request.outcome

    def give_up(self) -> None:
        """Wait no longer: what still comes of the request is for nobody."""
        if self._request is not None:
            self._request.given_up = True
            self._background.forget(self._request)
        self._request = None

    def close(self) -> None:
        """Give up, and let go of the descriptor; may be called twice."""
        self.give_up()
        if self._bell is not None:
            self._bell.close()
            self._background.closed()
        self._bell = None


class _Bell:
    """A descriptor that a thread rings, also one that comes back after it was closed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.descriptor = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._closed = False

    def ring(self) -> None:
        # Once closed, the number may be that of another file.
        with self._lock:
            if not self._closed:
                os.eventfd_write(self.descriptor, 1)

    def silence(self) -> None:
        with suppress(BlockingIOError):
            os.eventfd_read(self.descriptor)

    def close(self) -> None:
        with self._lock:
            self._closed = True
            os.close(self.descriptor)


class _Request:
    """A function to call, and the bell to ring when it is done, unless nobody waits for it."""

    def __init__(self, work: Callable[[], Any], bell: _Bell) -> None:
        self._work, self._bell = work, bell
        self.outcome: Outcome[Any] | None = None
        self.given_up = False

    def carry_out(self) -> None:
        try:
            self.outcome = Outcome(self._work())
        except Exception as exc:  # noqa: BLE001 - the driver judges it, and the thread goes on
            self.outcome = Outcome(None, exc)
        except BaseException as exc:  # noqa: BLE001 - no library ends the service from a thread
            self.outcome = Outcome(None, RuntimeError(repr(exc)))
        if not self.given_up:
            self._bell.ring()
