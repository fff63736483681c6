"""One delivery to one receiver, in a thread that holds up nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable

from daemon.publishing.sink import SinkError


class DeliveryAttempt:
    """A call that may take long, or never end.

    Attributes:
        begun_s: When it began, monotonic s.
        fault: Why it failed; empty until then.
    """

    def __init__(self, call: Callable[[], None], name: str, now_s: float) -> None:
        """Start the thread."""
        self.begun_s = now_s
        self.fault = ""
        self._call = call
        # A daemon's thread: a receiver that never answers must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @property
    def done(self) -> bool:
        """Whether it has ended, well or not."""
        return not self._thread.is_alive()

    def wait(self, longest_s: float) -> bool:
        """Wait for its end; return whether it has ended."""
        self._thread.join(longest_s)
        return self.done

    def _run(self) -> None:
        try:
            self._call()
        except SinkError as exc:
            self.fault = str(exc)
        except BaseException as exc:  # noqa: BLE001 - of a library; reported, and tried again
            self.fault = f"a fault in this program: {type(exc).__name__}"
