"""The one clock of the service.

Wall time is carried forward by the monotonic clock and set again only when the
system's wall clock has moved away from it, so that the differences of recorded
times are durations except where the clock itself jumped.
"""

from __future__ import annotations

import ctypes
import math
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Protocol

from daemon.entries import Instant

JUMP_MS = 500
RECENT_S = 86_400.0
"""A rehearsal that began longer ago than this is one on that date; our own choice."""
ASK_EVERY_S = 1.0
TIME_ERROR = 5
TIMEX_BYTES = 512
SYNC_CHECK_MS = 10_000
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Made by the system's own time service once it has set the clock in this boot."""


class Clock(Protocol):
    """Where the service takes its time from."""

    def now(self) -> Instant:
        """Return the present moment on both clocks, to the millisecond."""

    def mono_s(self) -> float:
        """Return the monotonic time alone, s: cheaper, and enough to wait by."""

    def real_s(self, duration_s: float) -> float:
        """Return how long a duration of this clock takes to wait out, s."""


class SystemClock:
    """The machine's clocks, counted in whole milliseconds."""

    def __init__(self) -> None:
        """Take the boot's identity and the first anchor."""
        self._boot = boot_id()
        self._wall_at_zero_ms = _ms(time.time()) - _ms(time.monotonic())
        self._synced = False
        self._checked_ms: float = -math.inf

    def now(self) -> Instant:
        """Return the present moment."""
        mono_ms, system_ms = _ms(time.monotonic()), _ms(time.time())
        wall_ms = self._wall_at_zero_ms + mono_ms
        if abs(system_ms - wall_ms) > JUMP_MS:
            self._wall_at_zero_ms, wall_ms = system_ms - mono_ms, system_ms
        if mono_ms - self._checked_ms > SYNC_CHECK_MS:
            self._synced, self._checked_ms = clock_is_synchronised(), mono_ms
        wall = datetime.fromtimestamp(wall_ms / 1000, UTC)
        return Instant(wall, mono_ms / 1000, self._boot, self._synced)

    def mono_s(self) -> float:
        """Return the monotonic time alone, s."""
        return time.monotonic()

    def real_s(self, duration_s: float) -> float:
        """A second is a second."""
        return duration_s


class RehearsalClock:
    """Time that runs faster, for rehearsals with the simulator only.

    All processes of a rehearsal share one time, and a restarted one finds it where it would have
    been: the records of this boot of the machine say which it is.  After another boot time goes on
    from the last record.  The name of its boot carries speed and beginning, so that no record of a
    rehearsal can pass for one of real time or of another rehearsal.
    """

    def __init__(
        self,
        speed: float,
        since: datetime | None = None,
        last: Callable[[], Instant | None] | None = None,
    ) -> None:
        """Begin or go on with a rehearsal.

        Args:
            speed: How many times faster time runs.
            since: When it began, of the last `RECENT_S`; or the date that it plays on, at which
                it then begins.  None for now.
            last: Gives the moment of the newest record; None for a rehearsal without records.
        """
        self._speed = speed
        beginning = "" if since is None else f"{since.astimezone(UTC):%Y%m%dT%H%M%SZ}-"
        self._named = f"rehearsal-{speed:g}x-{beginning}"
        self._boot = f"{self._named}{boot_id()}"
        self._last = last
        self._asked_s = -math.inf
        now = datetime.now(UTC)
        gone_s = 0.0 if since is None else (now - since).total_seconds()
        began = now if since is None else since
        self._begin(began + timedelta(seconds=gone_s * speed if 0 < gone_s < RECENT_S else 0.0))
        self._find(is_new=since is not None)

    def now(self) -> Instant:
        """Return the present moment of the rehearsal."""
        self._find(is_new=False)
        mono_ms = self._mono_ms()
        wall = self._wall_at_zero + timedelta(milliseconds=mono_ms)
        return Instant(wall, mono_ms / 1000, self._boot)

    def mono_s(self) -> float:
        """Return the monotonic time alone, s."""
        return self._mono_ms() / 1000

    def real_s(self, duration_s: float) -> float:
        """Return the shorter time that it really takes, s."""
        return duration_s / self._speed

    def _mono_ms(self) -> int:
        return _ms(time.monotonic() * self._speed)

    def _begin(self, wall: datetime) -> None:
        # To the millisecond, as is every count on top of it: then the differences of wall
        # times are those of the monotonic clock, and a replay sees the same time pass.
        self._wall_at_zero = to_millisecond(wall) - timedelta(milliseconds=self._mono_ms())

    def _find(self, *, is_new: bool) -> None:
        """Take the time from the records of this boot, once there are some."""
        if self._last is None or time.monotonic() - self._asked_s < ASK_EVERY_S:
            return
        self._asked_s = time.monotonic()
        last = self._last()
        if last is None:
            return
        if last.boot == self._boot:
            self._wall_at_zero = last.wall - timedelta(milliseconds=round(last.mono_s * 1000))
            self._last = None
        elif is_new and last.boot.startswith(self._named):
            self._begin(last.wall)


def clock_of(
    speed: float, since: datetime | None, last: Callable[[], Instant | None] | None = None
) -> Clock:
    """Return the machine's clock, or for a speed above 1 the faster one of a rehearsal."""
    return RehearsalClock(speed, since, last) if speed > 1.0 else SystemClock()


def _ms(seconds: float) -> int:
    return int(seconds * 1000 + 0.5)


def to_millisecond(wall: datetime) -> datetime:
    """Round to the millisecond, the resolution of records."""
    return wall.replace(microsecond=0) + timedelta(milliseconds=round(wall.microsecond / 1000))


def boot_id() -> str:
    """Return the kernel's name for this boot; a constant where there is none."""
    try:
        text = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii")
    except OSError:
        return "unknown-boot"
    return text.strip()


def clock_is_synchronised() -> bool:
    """Return whether any time service has set the clock since the machine began.

    The kernel is asked first, whichever time service there is.  Where it may not be asked
    (a filter of system calls, a container) the mark of the system's own time service counts.

    Source: systemd-timesyncd.service(8), Files: `/run/systemd/timesync/synchronized`.
    """
    by_kernel = kernel_synchronised()
    return SYNCHRONISED.exists() if by_kernel is None else by_kernel


@cache
def _kernel_library() -> ctypes.CDLL:
    return ctypes.CDLL(None)


def kernel_synchronised() -> bool | None:
    """Ask the kernel; None where it gives no answer.

    Source: adjtimex(2): the call returns TIME_ERROR (5) while the clock is not
    synchronised, and -1 where it fails.
    """
    timex = ctypes.create_string_buffer(TIMEX_BYTES)
    try:
        state = int(_kernel_library().adjtimex(timex))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state < TIME_ERROR
