"""Which connections the page closes: those that take too long, and of too many the least needed.

None is refused for lack of a place: where all are taken, a new one gets that of another.
Whoever has most connections gives one up, so that a crowd from one machine costs the others
nothing; of these the step goes first at which most of them are, so that silent connections cost
nothing to those kept for their next request, nor the other way round; of these the one
that has been at it longest.  A connection whose request is being answered is never closed.

Source: RFC 9112 (2022), 9.3 to 9.6: a server may close what is idle or too slow, and a client
repeats its request over another connection.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from heapq import heapify, heappop, heappush


class ConnectionStep(Enum):
    """What a connection is at."""

    RECEIVING = auto()
    """No whole request has come yet."""
    ANSWERING = auto()
    """Its request waits for our answer."""
    SENDING = auto()
    """It has not taken the whole answer."""
    IDLE = auto()
    """It was answered and is kept for what may follow."""
    FOLLOWING = auto()
    """It follows a live stream and has taken what was sent."""


LONGEST_S = {
    ConnectionStep.RECEIVING: 10.0,
    ConnectionStep.SENDING: 30.0,
    ConnectionStep.IDLE: 75.0,
    ConnectionStep.FOLLOWING: float("inf"),
}
"""A step may last so long, s: our own choice.  What is idle outlives the minute after which a
browser or a collector of metrics usually comes again."""
GRACE_S = 0.1
"""Every step may last so long, s: our own choice.  A request comes a few milliseconds after its
connection; while all are younger, new ones wait to be accepted."""


@dataclass(frozen=True, slots=True)
class Connection:
    """One connection at one moment.

    Attributes:
        source: Who it comes from, as `source_of` has it.
        step: What it is at.
        since_s: Since when, monotonic s.
    """

    source: str
    step: ConnectionStep
    since_s: float


def overdue(connections: Sequence[Connection], now_s: float) -> list[int]:
    """Return the places of those that have been at a step for too long."""
    return [
        place
        for place, each in enumerate(connections)
        if each.step is not ConnectionStep.ANSWERING and now_s - each.since_s > LONGEST_S[each.step]
    ]


def surplus(connections: Sequence[Connection], most: int, now_s: float) -> Iterator[int]:
    """Give the places of those that can be done without, the least needed first.

    Args:
        connections: All of them.
        most: How many there may be; nothing is given where there are no more.
        now_s: The moment, monotonic s.

    The end is reached where whoever is to give one up next may keep it yet.
    """
    if len(connections) <= most:
        return
    steps: dict[str, dict[ConnectionStep, list[int]]] = defaultdict(lambda: defaultdict(list))
    for place in sorted(range(len(connections)), key=lambda place: -connections[place].since_s):
        each = connections[place]
        if each.step is not ConnectionStep.ANSWERING:
            steps[each.source][each.step].append(place)
    count = Counter(each.source for each in connections)
    crowds = [(-count[source], source) for source in steps]
    heapify(crowds)
    while crowds:
        size, source = heappop(crowds)
        places = max(steps[source].values(), key=len)
        if not places:
            continue
        if now_s - connections[places[-1]].since_s < GRACE_S:
            return
        yield places.pop()
        heappush(crowds, (size + 1, source))
