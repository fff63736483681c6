"""The course of one story in words, with the truth beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from simulators.stage import clock_face
from tests.parts.events import facts_in

if TYPE_CHECKING:
    from tests.campaigns.hands.bench import Bench

LONGEST = 230
LEFT_OUT = (Kind.FORECAST,)


@dataclass(slots=True)
class StoryLog:
    """Writes a story, one line for each thing that happens.

    Attributes:
        write: Takes each line.
    """

    write: Callable[[str], object]

    def event(self, bench: Bench, event: Event) -> None:
        """Write an event of the station."""
        if event.kind in LEFT_OUT:
            return
        facts = {name: value for name, value in facts_in(event).items() if name != "reason"}
        text = f"{event.kind} [{event.batch}] " + ", ".join(f"{k}={v}" for k, v in facts.items())
        self.said(bench, text[:LONGEST])

    def faults(self, bench: Bench, before: int) -> None:
        """Write what the judge found since."""
        for fault in bench.judge.marks.faults[before:]:
            self.said(bench, f"WRONG {fault.split(': ', 1)[1]}")

    def said(self, bench: Bench, text: str) -> None:
        """Write a line with the truth beside it."""
        stage, water = bench.stage, bench.judge.truth.current
        name = "no water" if water is None else f"water {water.number}"
        if water is not None and water.gone_s is not None:
            name = f"({name})"
        place = "in water"
        if stage.bottle is not None:
            place = f"in {stage.bottle[0]:.3f}" if stage.bottle[0] > 0.0 else "in air"
        elif not stage.in_water():
            place = "uncovered"
        felt = (stage.instrument.felt() or (0.0, 0.0))[0]
        self.write(
            f"{clock_face(bench.t_s)} | {name:<10} {place:<10} {stage.reservoir.volume_l():6.1f} L"
            f" S {stage.reservoir.true_salinity():6.2f} cell {felt:7.3f} |"
            f" {bench.phase:<10} {text}\n"
        )
