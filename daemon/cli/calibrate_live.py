"""The display while a point settles: its values, how long, and how far they may still move."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rich.live import Live
from rich.text import Text

from calibration.steadiness import LEAST_S, TEMPERATURE_C, Indication, rest, window
from daemon.cli.output import table

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from rich.console import Console

    from daemon.entries import Reading

RESOLUTION_MS_CM = 0.01


@dataclass(slots=True)
class Settling:
    """The readings of one point, and what they show so far.

    Attributes:
        readings: Since the probe was left alone.
    """

    readings: list[Indication] = field(default_factory=list)

    def take(self, reading: Reading) -> None:
        """Take one more; one that brought no value counts for time alone."""
        conductivity, temperature = reading.conductivity_mS_cm, reading.temperature_C
        if conductivity is None or temperature is None:
            self.readings.append(Indication.missing(reading.at.mono_s))
        else:
            self.readings.append(Indication(reading.at.mono_s, conductivity, temperature))

    def text(self) -> str:
        """Return the display, a few lines."""
        good = window(self.readings)
        if not good:
            return "waiting for the probe"
        waited_s = self.readings[-1].t_s - self.readings[0].t_s
        rows = [
            ("conductivity", f"{good[-1].conductivity_mS_cm:.3f} mS/cm, as indicated"),
            ("temperature", f"{good[-1].temperature_C:.2f} °C"),
            ("waited", f"{waited_s:.0f} s"),
            ("steady", self._steady(good)),
        ]
        return table(rows)

    def _steady(self, good: list[Indication]) -> str:
        steadiness = rest(good, RESOLUTION_MS_CM)
        if steadiness is None:
            return f"not known yet; it takes {LEAST_S:.0f} s at least"
        conductivity = steadiness.conductivity
        percent = 100.0 * conductivity.reach / max(abs(conductivity.mean), 1e-3)
        warming = f"temperature by {steadiness.temperature.reach:.2f} °C a minute"
        moving = []
        if not steadiness.conductivity_steady:
            moving.append(f"conductivity by {percent:.2f} % a minute")
        if not steadiness.temperature_steady:
            moving.append(f"{warming} (at most {TEMPERATURE_C:g})")
        return f"may still move: {', '.join(moving)}" if moving else "yes"


class Display:
    """Shows a point settling, on a terminal that can; nothing elsewhere."""

    def __init__(self, console: Console) -> None:
        """Begin without readings."""
        self.settling = Settling()
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._on_terminal = console.is_terminal

    def __enter__(self) -> Self:
        """Begin to show."""
        if self._on_terminal:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the screen as it was."""
        if self._on_terminal:
            self._live.stop()

    def renew(self) -> None:
        """Show what has come."""
        if self._on_terminal:
            self._live.update(Text(self.settling.text()), refresh=True)
