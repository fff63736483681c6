"""Of which time the states are that `brinewright status` shows: of now, or of then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from daemon import assembly
from daemon.journal.freshness import (
    OLD_S,
    OLD_WHEN_DEAD_S,
    Freshness,
    age_s,
    old_after_s,
    silence_cause,
    span,
)
from daemon.journal.lock import is_locked
from daemon.journal.station_clock import newest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from daemon.config import Config, Reservoir
    from daemon.entries import JSON
    from daemon.mixing.station.snapshot import ReservoirSnapshot

NOT_CONFIGURED = "this reservoir is not in the configuration, so nothing measures it"


@dataclass(frozen=True, slots=True)
class ShownAge:
    """How old the state of a reservoir is that is shown.

    Attributes:
        seconds: Age of its last reading, s of the station's time; None where that is not known.
        why: Why it is not of now, as a sentence; empty where it is.
        rehearsal: Whether it is of the faster time of a rehearsal.
    """

    seconds: float | None = None
    why: str = ""
    rehearsal: bool = False

    @property
    def words(self) -> str:
        """The age as a person reads it; empty for what is of now."""
        return "" if not self.why or self.seconds is None else f"{span(self.seconds)} ago"

    @property
    def payload(self) -> dict[str, JSON]:
        """As JSON has it."""
        age = None if self.seconds is None else round(self.seconds, 3)
        return {"current": not self.why, "age_s": age, "why": self.why}


def station_time(config: Config) -> datetime | None:
    """Return the present moment of the station; None for a rehearsal of which nobody knows it.

    Only records of this boot of the machine say which time a rehearsal has.
    """
    now = assembly.clock(config).now()
    if config.station.rehearsal_speed > 1.0:
        last = newest(config.journal.path)
        if last is None or last.boot != now.boot:
            return None
    return now.wall.astimezone(UTC)


def limit_s(config: Config, reservoir: Reservoir, *, dead: bool) -> float:
    """Return up to which age the last reading of a reservoir is one of now, s of its time.

    Args:
        config: The whole configuration.
        reservoir: The reservoir.
        dead: Whether measuring is known not to run.
    """
    periods = (probe.period_s for probe in reservoir.probes)
    shortest_s = OLD_WHEN_DEAD_S if dead else None
    return old_after_s(periods, config.station.rehearsal_speed, shortest_s)


def shown_ages(
    config: Config, snapshots: Mapping[str, ReservoirSnapshot], names: Iterable[str]
) -> dict[str, ShownAge]:
    """Return how old each state is.

    Args:
        config: The whole configuration.
        snapshots: States by reservoir.
        names: Reservoirs that are asked about; one without a state has not been measured yet.
    """
    now = station_time(config)
    known = {each.name: each for each in config.reservoirs}
    dead = is_locked(config.journal.path) is False
    found = {
        name: _freshness(
            snapshots[name].time if name in snapshots else None,
            now,
            limit_s(config, known[name], dead=dead) if name in known else OLD_S,
        )
        for name in names
    }
    fresh = all(each.fresh for each in found.values())
    cause = "" if fresh else silence_cause(config.journal.path)
    return {
        name: ShownAge(
            None if now is None else each.age_s,
            each.sentence(cause) if name in known else NOT_CONFIGURED,
            config.station.rehearsal_speed > 1.0,
        )
        for name, each in found.items()
    }


def _freshness(taken: str | None, now: datetime | None, limit: float) -> Freshness:
    if taken is not None and now is None:
        return Freshness(0.0, limit)
    return Freshness(None if taken is None or now is None else age_s(taken, now), limit)
