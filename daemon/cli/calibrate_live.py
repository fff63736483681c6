"""The display while a point settles: its values, how long, and how far they may still move."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.live import Live
from rich.text import Text

from calibration.settling import Settling, SettlingState
from calibration.steadiness import LEAST_S, TEMPERATURE_C
from daemon.cli.output import table

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from rich.console import Console

RESOLUTION_MS_CM = 0.01


def settling_text(settling: Settling) -> str:
    """Return how a point settles, a few lines."""
    came = [each for each in settling.points if each.conductivity_mS_cm is not None]
    if not came:
        return "waiting for the probe"
    rows = [
        ("conductivity", f"{came[-1].conductivity_mS_cm:.3f} mS/cm, as indicated"),
        ("temperature", f"{came[-1].temperature_C:.2f} °C"),
        ("waited", f"{settling.waited_s:.0f} s"),
        ("steady", _steady(settling)),
    ]
    return table(rows)


def _steady(settling: Settling) -> str:
    steadiness = settling.at_rest
    if settling.state is SettlingState.SILENT:
        return "no: the probe is silent"
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
        self.settling = Settling(RESOLUTION_MS_CM)
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
            self._live.update(Text(settling_text(self.settling)), refresh=True)
