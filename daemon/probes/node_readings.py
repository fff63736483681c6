"""Messages of one node to samples: which of them count, and which belong together.

A value counts when it is news.  What the broker kept from earlier is none, whatever its flag of
retaining says where a time stamp tells: a broker or a bridge that starts again may pass it on as
if it had just come.  Nothing counts while the node is not known to be there, where it says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Sample
from daemon.probes.driver import FAULT_SPACING_S, FaultLimit
from daemon.wire import units
from daemon.wire.published import Published, Unreadable
from daemon.wire.sender_clock import SenderClock

if TYPE_CHECKING:
    from daemon.config.probe import Quantity
    from daemon.entries import Instant
    from daemon.probes.published_node import Arrived, Availability, Node, Place
    from daemon.wire.units import Scale

SILENT_PERIODS = 3
"""So many periods without news are a fault; a node may miss one or two."""
CLOSEST_PERIODS = 0.5
"""Of a node that publishes more often, what comes sooner after a sample is left out."""
BURST_PERIODS = 2.0
"""After so long a silence a message may be the first of several that waited behind a cut link."""
GRACE_PERIODS = 0.25
"""How long a conductivity waits for a temperature that comes right after it, and the first of what
may be a burst for the last one."""


@dataclass(frozen=True, slots=True)
class _Measured:
    value: float
    at: Instant


@dataclass(slots=True)
class _Heard:
    """What is known of one place besides its value."""

    clock: SenderClock
    news_s: float = -math.inf
    kept: bool = False
    repeated: bool = False


class NodeReadings:
    """What one node says, message by message."""

    def __init__(self, node: Node) -> None:
        """Begin with nothing known."""
        self._node = node
        self._faults = FaultLimit(node.reservoir, node.name, node.period_s)
        self._silent_after_s = SILENT_PERIODS * node.period_s
        self._heard = {each: _Heard(SenderClock(self._silent_after_s)) for each in node.places}
        self._latest: dict[Quantity, _Measured] = {}
        self._gives = {each.quantity for each in node.places}
        self._online: bool | None = None
        self._availability_said = ""
        self._connected_s: float | None = None
        self._silent_s = math.inf
        self._grace_s = math.inf
        self._sampled_s = -math.inf
        self._spoken = self._ended = ""
        self._valid = self._burst = False

    def due_s(self) -> float:
        """Monotonic time, s, at which `due` has something to do."""
        return min(self._grace_s, self._silent_s)

    def started(self, now: Instant) -> None:
        """Expect news from now on, though the connection is not open yet."""
        self._silent_s = now.mono_s + self._silent_after_s

    def connected(self, now: Instant) -> None:
        """Note that all topics are subscribed to."""
        self._connected_s, self._ended = now.mono_s, ""
        self._silent_s = now.mono_s + self._silent_after_s

    def disconnected(self, now: Instant, sentence: str) -> list[Sample]:
        """Forget what only an open connection keeps true, and say why it ended."""
        self._connected_s = self._online = None
        self._ended = sentence
        self._forget()
        return self.fault(now, sentence)

    def fault(self, now: Instant, sentence: str, spoken: str = "") -> list[Sample]:
        """Return a fault as a sample, if one is due."""
        samples = self._faults.samples(now, sentence, spoken)
        self._valid = self._valid and not samples
        return samples

    def take(self, arrived: Arrived, now: Instant) -> list[Sample]:
        """Take a message."""
        samples = []
        availability = self._node.availability
        if availability is not None and arrived.topic == availability.topic:
            samples += self._take_availability(availability, arrived, now)
        places = [each for each in self._node.places if each.topic == arrived.topic]
        if not places or arrived.again:
            return samples
        if arrived.retained:
            self._take_kept(places, arrived, now)
            return samples
        if availability is not None and not self._online:
            return samples
        try:
            news = self._take_values(places, Published(arrived.payload), now)
        except Unreadable as exc:
            said = Published(arrived.payload).text()
            return samples + self.fault(now, self._sentence(places[0].topic, exc), said)
        return samples + (self._sample(now) if news else [])

    def due(self, now: Instant) -> list[Sample]:
        """Return what is to be said without a message: a pair that waited, or a silence."""
        if now.mono_s >= self._grace_s:
            return self._sample(now)
        if now.mono_s < self._silent_s:
            return []
        samples = self.fault(now, self._why_silent(now))
        pause_s = max(FAULT_SPACING_S, self._node.period_s) if samples else 0.05
        self._silent_s = now.mono_s + pause_s
        return samples

    def _take_availability(
        self, availability: Availability, arrived: Arrived, now: Instant
    ) -> list[Sample]:
        try:
            said = Published(arrived.payload).word(availability.value)
        except Unreadable as exc:
            said = str(exc)
        words = {availability.online: True, availability.offline: False}
        self._online, self._availability_said = words.get(said), said[:40]
        if self._online:
            return []
        self._forget()
        if not self._valid:
            return []
        # What was valid a moment ago ends now, however short ago the last fault was.
        self._faults = FaultLimit(self._node.reservoir, self._node.name, self._node.period_s)
        return self.fault(now, self._why_silent(now))

    def _take_kept(self, places: list[Place], arrived: Arrived, now: Instant) -> None:
        """Let an old value tell only how the node's clock stood."""
        published = Published(arrived.payload)
        for each in places:
            heard = self._heard[each]
            heard.kept = True
            if each.time is not None:
                try:
                    stamp_s = published.time_s(each.time, each.time_form)
                except Unreadable:
                    continue
                heard.clock.age(stamp_s, now.mono_s)

    def _take_values(self, places: list[Place], published: Published, now: Instant) -> bool:
        """Remember the values of a message; say whether any is news.

        Raises:
            Unreadable: One is no value, or is too old.
        """
        news = False
        for each in places:
            measured = self._measured(each, published, now)
            if measured is None:
                continue
            self._latest[each.quantity] = measured
            news = True
            if each.quantity == self._leading():
                self._spoken = published.text()
                if self._grace_s == math.inf:
                    self._grace_s = now.mono_s + self._grace()
        return news

    def _measured(self, place: Place, published: Published, now: Instant) -> _Measured | None:
        heard, at = self._heard[place], now
        if place.time is not None:
            age = heard.clock.age(published.time_s(place.time, place.time_form), now.mono_s)
            if age.fault:
                raise Unreadable(f"it {age.fault}")
            heard.repeated = age.age_s is None
            if age.age_s is None:
                return None
            at = _earlier(now, age.age_s)
        if place.quantity == self._leading():
            since_s = now.mono_s - max(heard.news_s, self._connected_s or -math.inf)
            late = place.time is None and since_s > BURST_PERIODS * self._node.period_s
            self._burst = self._burst or late
            self._silent_s = now.mono_s + self._silent_after_s
        heard.news_s, heard.kept = now.mono_s, False
        try:
            return _Measured(place.read(published), at)
        except Unreadable:
            self._latest.pop(place.quantity, None)
            if place.quantity == "pump" and len(self._gives) > 1:
                return None  # not known, which is no reason to lose the rest
            raise

    def _leading(self) -> Quantity:
        """Return the quantity of which each news makes a sample."""
        ranks: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")
        return next(each for each in ranks if each in self._gives)

    def _grace(self) -> float:
        return min(GRACE_PERIODS * self._node.period_s, self._node.together_s)

    def _sample(self, now: Instant) -> list[Sample]:
        """Return the sample that waits, once it is whole or has waited long enough."""
        first = self._latest.get(self._leading())
        if first is None or self._grace_s == math.inf:
            return []
        second = self._latest.get("temperature")
        both = {"conductivity", "temperature"} <= self._gives
        if self._burst and now.mono_s < self._grace_s:
            return []
        if both:
            close = second is not None and second.at.mono_s >= first.at.mono_s - self._grace()
            if not close and now.mono_s < self._grace_s:
                return []
        self._grace_s, self._burst = math.inf, False
        if both and not self._together(first, second):
            return self.fault(now, self._why_apart(first, second))
        if now.mono_s - self._sampled_s < CLOSEST_PERIODS * self._node.period_s:
            return []
        self._sampled_s, self._valid = now.mono_s, True
        return [self._made(now)]

    def _together(self, first: _Measured, second: _Measured | None) -> bool:
        apart_s = math.inf if second is None else abs(first.at.mono_s - second.at.mono_s)
        return apart_s <= self._node.together_s

    def _made(self, now: Instant) -> Sample:
        conductivity, temperature = (
            self._latest.get("conductivity"),
            self._latest.get("temperature"),
        )
        moments = [each.at for each in (conductivity, temperature) if each is not None]
        at = max(moments, key=lambda each: each.mono_s, default=self._latest[self._leading()].at)
        raw = None if conductivity is None else conductivity.value
        water = None if temperature is None else temperature.value
        return Sample(
            self._node.reservoir,
            self._node.name,
            at,
            *_in_our_units(self._node.scale, raw, water),
            self._pump(now),
            "",
            self._spoken,
            conductivity_age_s=0.0 if conductivity is None else _before(at, conductivity.at),
            temperature_age_s=0.0 if temperature is None else _before(at, temperature.at),
        )

    def _pump(self, now: Instant) -> bool | None:
        pump = self._latest.get("pump")
        if pump is None or now.mono_s - pump.at.mono_s > self._silent_after_s:
            return None
        return bool(pump.value)

    def _forget(self) -> None:
        self._latest.clear()
        self._grace_s, self._burst = math.inf, False

    def _place(self, quantity: Quantity) -> Place:
        return next(each for each in self._node.places if each.quantity == quantity)

    def _sentence(self, topic: str, exc: Unreadable) -> str:
        what = " and ".join(e.quantity for e in self._node.places if e.topic == topic)
        return f"{what} on {topic!r} of {self._node.where}: {exc}; correct the node or the section"

    def _why_apart(self, first: _Measured, second: _Measured | None) -> str:
        topic = self._place("temperature").topic
        rule = f"together_within_s = {self._node.together_s:g}"
        if second is None:
            return (
                f"no temperature came on {topic!r} of {self._node.where} to go with the"
                f" conductivity; have the node publish it as often"
            )
        apart_s = abs(first.at.mono_s - second.at.mono_s)
        return (
            f"the temperature on {topic!r} of {self._node.where} was measured {apart_s:.0f} s from"
            f" the conductivity, and {rule}; have the node publish it more often"
        )

    def _why_silent(self, now: Instant) -> str:
        where, availability = self._node.where, self._node.availability
        if self._connected_s is None:
            waits = f"{where} has not answered yet; check the network, host and port"
            return self._ended or waits
        if availability is not None and not self._online:
            return self._why_away(availability)
        place, heard = next(
            (
                (place, heard)
                for place, heard in self._heard.items()
                if now.mono_s - heard.news_s >= self._silent_after_s
            ),
            next(iter(self._heard.items())),
        )
        on = f"on {place.topic!r} of {where}"
        if heard.repeated:
            return (
                f"what comes {on} repeats the time stamp of an old value; check the node's sensor,"
                " and the bridge between the brokers"
            )
        if heard.kept:
            return f"only an old value that the broker had kept came {on}; check that the node runs"
        since_s = now.mono_s - max(heard.news_s, self._connected_s)
        return (
            f"nothing came {on} for {since_s:.0f} s; check that the node runs and publishes each"
            f" {self._node.period_s:g} s, its topic, and that our account may read it"
        )

    def _why_away(self, availability: Availability) -> str:
        on = f"on {availability.topic!r} of {self._node.where}"
        if self._online is False:
            return f"the node is {availability.offline!r} {on}; check its power and its network"
        words = f"{availability.online!r} or {availability.offline!r}"
        if self._availability_said:
            return (
                f"{self._availability_said!r} came {on}, and not {words}; correct availability, or"
                " the node"
            )
        return (
            f"nothing came {on}, so no value counts; have the node publish {words} there, retained"
        )


def _in_our_units(
    scale: Scale, conductivity: float | None, temperature: float | None
) -> tuple[float | None, float | None]:
    if conductivity is not None and temperature is not None:
        return scale.water(conductivity, temperature)
    return (
        None
        if conductivity is None
        else units.conductivity_mS_cm(conductivity, scale.conductivity_unit),
        None if temperature is None else units.temperature_C(temperature, scale.temperature_unit),
    )


def _earlier(at: Instant, by_s: float) -> Instant:
    return replace(at, wall=at.wall - timedelta(seconds=by_s), mono_s=at.mono_s - by_s)


def _before(at: Instant, earlier: Instant) -> float:
    return max(0.0, round(at.mono_s - earlier.mono_s, 3))
