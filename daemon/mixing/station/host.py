"""Alarm conditions of the station itself: card, clock, publishers and restarts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.mixing.alarm.catalogue import CATALOGUE, AlarmKind

if TYPE_CHECKING:
    from daemon.entries import Instant, Surroundings

MEGABYTE = 1_000_000
RESTART_LASTS_S = 600.0
"""How long a restart counts as a condition, s."""
LOSS_LASTS_S = 600.0
OFTEN = 3
OFTEN_S = 3600.0
NAMED = 3


@dataclass(frozen=True, slots=True)
class StationSettings:
    """Settings of the station itself.

    Attributes:
        alarms: Every alarm, with the owner's delays, deadbands and priorities.
        storage_low_bytes: Free space below which the card is nearly full.
        behind_s: Age of the oldest entry that waits for a publisher, at most, s.
    """

    alarms: Mapping[str, AlarmKind] = field(default_factory=lambda: CATALOGUE)
    storage_low_bytes: int = 500 * MEGABYTE
    behind_s: float = 300.0


@dataclass(slots=True)
class StationHealth:
    """The condition of the station itself; plain data.

    Attributes:
        conditions: Of the last look at the host, by alarm.
        entries_lost: How many entries could not be written, by then.
        entries_lost_s: Time of the last loss, s; None before any.
        started_s: When measuring began, s; the last few times.
        restarted_s: When it last began after an unexpected end, s; None before any.
        failing_s: Since when a publisher that fails does so, s, by name.
    """

    conditions: dict[str, str] = field(default_factory=dict)
    entries_lost: int = 0
    entries_lost_s: float | None = None
    started_s: list[float] = field(default_factory=list)
    restarted_s: float | None = None
    failing_s: dict[str, float] = field(default_factory=dict)


def on_surroundings(
    state: StationHealth, host: Surroundings, settings: StationSettings, t_s: float
) -> None:
    """Update the conditions by what the service runs on.

    Args:
        state: Changed in place.
        host: Its storage, clock and followers; counts start over with each process.
        settings: Limits.
        t_s: Monotonic time, s.
    """
    if host.entries_lost > state.entries_lost:
        state.entries_lost_s = t_s
    state.entries_lost = host.entries_lost
    state.conditions = {}
    free = host.storage_free_bytes
    if free is not None and free < settings.storage_low_bytes:
        state.conditions["storage-low"] = (
            f"{free / MEGABYTE:.0f} MB are free where the journal lies,"
            f" less than {settings.storage_low_bytes / MEGABYTE:.0f}"
        )
    state.failing_s = {
        each.name: state.failing_s.get(each.name, t_s) for each in host.followers if each.error
    }
    late = sorted(
        (each for each in host.followers if each.waiting and each.behind_s > settings.behind_s),
        key=lambda each: -each.behind_s,
    )
    # A follower may have read everything, and still deliver nothing.
    failing = [
        each
        for each in host.followers
        if each not in late and t_s - state.failing_s.get(each.name, t_s) > settings.behind_s
    ]
    sentences = [
        f"{each.name} is {each.behind_s / 60.0:.0f} min behind, {each.waiting} entries wait"
        f"{each.error and ': '}{each.error}"
        for each in late
    ] + [
        f"{each.name} fails for {(t_s - state.failing_s[each.name]) / 60.0:.0f} min: {each.error}"
        for each in failing
    ]
    if sentences:
        state.conditions["publishing-delayed"] = "; ".join(sentences[:NAMED])


def started(state: StationHealth, t_s: float, *, unexpected: bool) -> None:
    """Record that measuring began, and whether the process before it ended unexpectedly."""
    state.started_s = [*state.started_s, t_s][-OFTEN:]
    state.entries_lost = 0
    if unexpected:
        state.restarted_s = t_s


def conditions(state: StationHealth, at: Instant, t_s: float) -> dict[str, str]:
    """Return the conditions of the station now, each as a sentence."""
    present = dict(state.conditions)
    if state.entries_lost_s is not None and t_s - state.entries_lost_s < LOSS_LASTS_S:
        present["storage-low"] = "entries could not be written, and some are lost"
    if not at.synced:
        present["clock-unsynchronised"] = (
            "no time service has set the clock since the machine began"
        )
    if state.restarted_s is not None and t_s - state.restarted_s < RESTART_LASTS_S:
        present["measuring-restarted"] = "measuring began again and had not been told to end"
    often = len(state.started_s) == OFTEN and t_s - state.started_s[0] < OFTEN_S
    if often and t_s - state.started_s[-1] < RESTART_LASTS_S:
        present["measuring-restarted"] = (
            f"measuring began {OFTEN} times within {OFTEN_S / 60.0:g} min"
        )
    return present
