"""What the service says of inputs that stand on their own: they have no readings to say it in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Event
from daemon.mixing.service_events import InputFails, InputWorks
from daemon.mixing.station.sample_reading import FAULT_LASTS_S

if TYPE_CHECKING:
    from daemon.entries import Sample
    from daemon.supervision import Reports


class InputWatch:
    """Reports once that an input stopped giving values, and once that it gives them again."""

    def __init__(self, reports: Reports) -> None:
        """Begin with nothing wrong."""
        self._reports = reports
        self._since_s: dict[str, float] = {}
        self._failed: set[str] = set()

    def take(self, sample: Sample) -> list[Event]:
        """Return the event that the sample of an input is, if it is one."""
        name, now_s = sample.probe, sample.at.mono_s
        self._reports.input_reported(name, sample.fault)
        if not sample.fault:
            self._since_s.pop(name, None)
            if name not in self._failed:
                return []
            self._failed.discard(name)
            return [Event("", sample.at, "", InputWorks(name))]
        lasted_s = now_s - self._since_s.setdefault(name, now_s)
        if name in self._failed or lasted_s < FAULT_LASTS_S:
            return []
        self._failed.add(name)
        return [Event("", sample.at, "", InputFails(name, sample.fault))]
