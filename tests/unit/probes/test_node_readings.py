"""Messages of one node to samples, without a broker."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest

from daemon.entries import Instant, Sample
from daemon.probes.node_readings import NodeReadings
from daemon.probes.published_node import Arrived, Availability, Node, Place
from daemon.wire.json_pointer import json_pointer
from daemon.wire.units import Scale

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
WATER, WARMTH, PUMP, STATUS = "wing/water", "wing/warmth", "wing/pump", "wing/status"
BROKER = "broker 127.0.0.1:1883"
EC = Place("conductivity", WATER, json_pointer("/ec"), declared="mS/cm")
TEMPERATURE = Place("temperature", WATER, json_pointer("/t"), declared="degC")
OBJECT = Node(
    "mix-1", "node-1", BROKER, (EC, TEMPERATURE), Scale("mS/cm"), period_s=5.0, together_s=5.0
)
TWO = replace(OBJECT, places=(Place("conductivity", WATER), Place("temperature", WARMTH)))
STAMPED = replace(
    OBJECT,
    places=tuple(replace(each, time=json_pointer("/at"), time_form="s") for each in OBJECT.places),
)
WATCHED = replace(OBJECT, availability=Availability(STATUS))


@dataclass
class Life:
    """A node as the driver sees it, and a clock that the test turns.

    Attributes:
        node: It.
        t_s: Monotonic time, s.
        samples: What came of it.
    """

    node: Node
    t_s: float = 100.0
    samples: list[Sample] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Connect."""
        self.readings = NodeReadings(self.node)
        self.readings.started(self.now())
        self.readings.connected(self.now())

    def now(self) -> Instant:
        """The moment."""
        return Instant(NOON + timedelta(seconds=self.t_s), self.t_s)

    def pass_s(self, duration_s: float) -> None:
        """Let time pass, and the readings do what is due."""
        until_s = self.t_s + duration_s
        while self.readings.due_s() <= until_s:
            self.t_s = max(self.t_s, self.readings.due_s())
            self.samples += self.readings.due(self.now())
        self.t_s = until_s

    def say(self, topic: str, payload: object, **flags: bool) -> list[Sample]:
        """Pass on a message; return what came of it at once."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        came = self.readings.take(Arrived(topic, data, **flags), self.now())
        self.samples += came
        return came

    def values(self) -> list[tuple[float | None, float | None]]:
        """What was measured."""
        return [(e.conductivity_mS_cm, e.temperature_C) for e in self.samples if not e.fault]

    def faults(self) -> list[str]:
        """What was wrong."""
        return [each.fault for each in self.samples if each.fault]


def water(conductivity: object = 42.914, temperature: object = 24.5, **more: object) -> object:
    """An object as a node publishes it."""
    return {"ec": conductivity, "t": temperature, **more}


def test_an_object_with_both_values_is_a_sample() -> None:
    """At the moment at which it came, with what was said beside it."""
    (sample,) = Life(OBJECT).say(WATER, water())

    assert (42.914, 24.5) == (sample.conductivity_mS_cm, sample.temperature_C)
    assert 100.0 == sample.at.mono_s
    assert '{"ec": 42.914, "t": 24.5}' == sample.spoken


def test_compensation_is_undone_and_units_are_converted() -> None:
    """As the section declares them: 20 mS/cm at 25 °C, 2 % per °C, in water of 30 °C."""
    scale = Scale("uS/cm", "degF", 2.0, 25.0)
    (sample,) = Life(replace(OBJECT, scale=scale)).say(WATER, water(20_000.0, 86.0))

    assert pytest.approx(22.0) == sample.conductivity_mS_cm
    assert pytest.approx(30.0) == sample.temperature_C


def test_what_the_broker_kept_is_no_reading() -> None:
    """Nor what a silence is ended by, and the fault says so."""
    life = Life(OBJECT)
    life.say(WATER, water(), retained=True)
    life.pass_s(16.0)

    assert [] == life.values()
    assert "only an old value that the broker had kept came on 'wing/water'" in life.faults()[0]


def test_what_the_broker_sent_twice_counts_once() -> None:
    """The second time it says so itself."""
    life = Life(OBJECT)
    life.say(WATER, water())
    life.t_s += 5.0
    life.say(WATER, water(), again=True)

    assert 1 == len(life.values())


def test_a_value_whose_retain_flag_a_bridge_cleared_is_known_by_its_stamp() -> None:
    """The node is gone; a bridge that starts again passes on its last value as if it came now."""
    life = Life(STAMPED)
    for stamp_s in (1000, 1005, 1010):
        life.say(WATER, water(at=stamp_s))
        life.t_s += 5.0
    life.samples.clear()
    for _ in range(6):
        life.say(WATER, water(at=1010))
        life.pass_s(5.0)

    assert [] == life.values()
    assert "repeats the time stamp of an old value" in life.faults()[0]


def test_an_unseen_value_of_fifty_minutes_ago_is_refused_with_its_age() -> None:
    """It came while we were away, and its retain flag did not survive a bridge."""
    life = Life(STAMPED)
    life.say(WATER, water(at=1000))
    life.t_s += 5.0
    life.say(WATER, water(at=1005))
    life.t_s += 3600.0
    life.say(WATER, water(at=1600))

    assert 1 == len(life.values())
    assert "it was measured 300" in life.faults()[-1]


def test_a_sample_is_of_the_moment_at_which_the_node_measured() -> None:
    """It took 1.5 s longer than the fastest message, by a clock that is years behind."""
    life = Life(STAMPED)
    life.say(WATER, water(at=1000))
    life.t_s += 5.0
    life.say(WATER, water(at=1005))
    life.t_s += 6.5
    (sample,) = life.say(WATER, water(at=1010))

    assert pytest.approx(110.0, abs=0.01) == sample.at.mono_s
    assert pytest.approx(110.0, abs=0.01) == (sample.at.wall - NOON).total_seconds()


def test_a_node_that_is_gone_ends_validity_at_once() -> None:
    """However short ago the last fault was; its last word stands nowhere."""
    life = Life(WATCHED)
    life.say(STATUS, b"online", retained=True)
    life.say(WATER, water("nan"))
    life.t_s += 3.0
    life.say(WATER, water())
    life.t_s += 0.1
    (gone,) = life.say(STATUS, b"offline")

    assert 1 == len(life.values())
    assert f"the node is 'offline' on 'wing/status' of {BROKER}; check" in gone.fault


def test_nothing_counts_while_a_node_is_gone() -> None:
    """A value that comes all the same is one that lay about; after 'online' only news counts."""
    life = Life(WATCHED)
    life.say(STATUS, b"offline", retained=True)
    life.say(WATER, water())
    life.say(STATUS, b"online")
    life.pass_s(1.0)
    before = life.values()
    life.say(WATER, water())

    assert ([], 1) == (before, len(life.values()))


def test_nothing_counts_before_a_node_says_that_it_is_there() -> None:
    """Where it is configured to: unknown is never good."""
    life = Life(WATCHED)
    for _ in range(4):
        life.say(WATER, water())
        life.pass_s(5.0)

    assert [] == life.values()
    assert "have the node publish 'online' or 'offline' there, retained" in life.faults()[0]


def test_a_strange_word_of_availability_is_named() -> None:
    """It is neither of both words, so nobody knows."""
    life = Life(WATCHED)
    life.say(STATUS, b"alive", retained=True)
    life.say(WATER, water())
    life.pass_s(16.0)

    assert [] == life.values()
    assert "'alive' came on 'wing/status'" in life.faults()[0]


def test_availability_is_forgotten_with_the_connection() -> None:
    """What the broker said before it went away is no news after it came back."""
    life = Life(WATCHED)
    life.say(STATUS, b"online", retained=True)
    life.say(WATER, water())
    life.samples += life.readings.disconnected(life.now(), "the connection was lost; wait")
    life.readings.connected(life.now())
    life.t_s += 5.0
    life.say(WATER, water())

    assert 1 == len(life.values())


def test_silence_is_a_fault_after_three_periods() -> None:
    """And again each five seconds, until something comes."""
    life = Life(OBJECT)
    life.say(WATER, water())
    life.pass_s(14.9)
    before = life.faults()
    life.pass_s(10.2)

    assert [] == before
    assert [
        f"nothing came on 'wing/water' of {BROKER} for {since_s} s" for since_s in (15, 20, 25)
    ] == [each.partition(";")[0] for each in life.faults()]


@pytest.mark.parametrize("order", [(WATER, WARMTH), (WARMTH, WATER)])
def test_two_topics_of_one_moment_are_one_sample(order: tuple[str, str]) -> None:
    """In whichever order they come; the conductivity waits a quarter of a period."""
    life = Life(TWO)
    for n in range(3):
        for topic in order:
            life.say(topic, 42.0 + n if topic == WATER else 24.0 + n)
            life.t_s += 0.2
        life.pass_s(4.6)

    assert [(42.0, 24.0), (43.0, 25.0), (44.0, 26.0)] == life.values()


def test_a_slow_thermometer_is_used_with_its_age() -> None:
    """Where the section allows so much; the age of each value is in the sample."""
    life = Life(replace(TWO, together_s=60.0))
    life.say(WARMTH, 24.0)
    life.pass_s(20.0)
    life.say(WATER, 42.0)
    life.pass_s(2.0)
    (sample,) = [each for each in life.samples if not each.fault]

    assert (0.0, 20.0) == (sample.conductivity_age_s, sample.temperature_age_s)
    assert 120.0 == sample.at.mono_s


def test_values_that_are_too_far_apart_do_not_belong_together() -> None:
    """The sentence says how far, and how far they may be."""
    life = Life(TWO)
    life.say(WARMTH, 24.0)
    life.pass_s(8.0)
    life.say(WATER, 42.0)
    life.pass_s(2.0)

    assert [] == life.values()
    assert "was measured 8 s from the conductivity, and together_within_s = 5" in life.faults()[0]


def test_a_conductivity_without_any_temperature_is_a_fault() -> None:
    """Nothing is assumed."""
    life = Life(TWO)
    life.say(WATER, 42.0)
    life.pass_s(2.0)

    assert [] == life.values()
    assert "no temperature came on 'wing/warmth'" in life.faults()[0]


def test_a_temperature_that_became_unreadable_is_not_used_any_more() -> None:
    """A word where it stood is no reason to go on with the number before."""
    life = Life(replace(TWO, together_s=60.0))
    life.say(WARMTH, 24.0)
    life.pass_s(4.0)
    life.say(WARMTH, b"unavailable")
    life.pass_s(1.0)
    life.say(WATER, 42.0)
    life.pass_s(2.0)

    assert [] == life.values()


def test_one_quantity_alone_gives_a_partial_sample() -> None:
    """A thermometer that stands on its own, and a probe without one."""
    (warm,) = Life(replace(OBJECT, places=(TEMPERATURE,))).say(WATER, water())
    (salty,) = Life(replace(OBJECT, places=(EC,))).say(WATER, water())

    assert (None, 24.5, "") == (warm.conductivity_mS_cm, warm.temperature_C, warm.fault)
    assert (42.914, None, "") == (salty.conductivity_mS_cm, salty.temperature_C, salty.fault)


def test_the_state_of_a_pump_comes_with_the_sample_while_it_is_news() -> None:
    """After three periods without a word nobody knows."""
    life = Life(replace(OBJECT, places=(EC, TEMPERATURE, Place("pump", PUMP))))
    life.say(PUMP, b"on")
    pumps = []
    for _ in range(5):
        pumps += [each.pump for each in life.say(WATER, water())]
        life.pass_s(5.0)

    assert [True, True, True, True, None] == pumps


def test_a_pump_alone_is_an_input() -> None:
    """Each word is a sample; a strange one is a fault."""
    life = Life(replace(OBJECT, places=(Place("pump", PUMP, words=("ON", "OFF")),)))
    for word in (b"ON", b"OFF", b"on"):
        life.say(PUMP, word)
        life.pass_s(5.0)

    assert [True, False] == [each.pump for each in life.samples if not each.fault]
    assert "it is 'on', and not 'ON' or 'OFF'" in life.faults()[0]


def test_a_strange_word_of_a_pump_costs_no_reading() -> None:
    """Whether it runs is unknown then."""
    life = Life(replace(OBJECT, places=(EC, TEMPERATURE, Place("pump", PUMP))))
    life.say(PUMP, b"on")
    life.say(PUMP, b"maybe")
    (sample,) = life.say(WATER, water())

    assert ("", None) == (sample.fault, sample.pump)


def test_another_unit_than_the_declared_one_is_a_fault() -> None:
    """A new program on the node publishes in microsiemens, and says so."""
    place = replace(EC, unit=json_pointer("/unit"))
    life = Life(replace(OBJECT, places=(place, TEMPERATURE)))
    life.say(WATER, water(unit="mS/cm"))
    life.t_s += 5.0
    life.say(WATER, water(42914.0, unit="µS/cm"))

    assert 1 == len(life.values())
    assert "it is in 'µS/cm', and units.conductivity is 'mS/cm'" in life.faults()[0]


def test_a_node_that_talks_without_pause_fills_no_card() -> None:
    """Two readings in a period are taken, and the rest is left out."""
    life = Life(OBJECT)
    for n in range(1000):
        life.say(WATER, water(40.0 + n / 1000.0))
        life.t_s += 0.01

    assert 4 == len(life.values())


def test_of_a_burst_after_a_silence_the_newest_counts() -> None:
    """What a node said while a link was cut comes all at once when it holds again."""
    life = Life(OBJECT)
    life.say(WATER, water(42.0))
    life.pass_s(13.0)
    for value in (43.0, 44.0, 45.0):
        life.say(WATER, water(value))
        life.t_s += 0.01
    life.pass_s(2.0)

    assert [42.0, 45.0] == [value for value, _ in life.values()]


def test_stamped_values_of_a_burst_are_judged_by_their_stamps() -> None:
    """The first one is as old as it says, and need not wait."""
    life = Life(STAMPED)
    for stamp_s in (1000, 1005):
        life.say(WATER, water(at=stamp_s))
        life.t_s += 5.0
    life.t_s += 8.0
    (sample,) = life.say(WATER, water(at=1010))

    assert pytest.approx(life.t_s - 8.0, abs=0.02) == sample.at.mono_s
