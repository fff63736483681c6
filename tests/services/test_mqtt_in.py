"""A node that publishes, a real broker, and the driver that reads it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.conftest import Broker
from tests.parts.driver_run import running
from tests.services.mqtt_in_parts import (
    BASE,
    OBJECT,
    PERIOD_S,
    PLAIN,
    STAMPED,
    WATCHED,
    WATER,
    keys,
    node_at,
    pair,
    publishing,
)

pytestmark = pytest.mark.server


@pytest.mark.parametrize("form, topics", [("json", OBJECT), ("plain", PLAIN)])
def test_a_node_is_read(broker: Broker, form: str, topics: str) -> None:
    """An object with both values, or a topic for each."""
    node = node_at(broker, form=form)
    with node, running(keys(broker, topics, WATCHED)) as run, publishing(node, run):
        sample = run.until_value()

    assert (42.914, 24.5) == pair(sample)
    assert ("mix-1", "ct-1") == (sample.reservoir, sample.probe)


def test_a_value_that_the_broker_kept_is_no_reading(broker: Broker) -> None:
    """The node is gone for good, and its last value is still there for whoever subscribes."""
    with node_at(broker) as node:
        node.measure(0.0, 42.914, 24.5)
    with running(keys(broker, OBJECT)) as run:
        fault = run.until_fault("only an old value")

    assert [] == run.values()
    assert WATER in fault


def test_a_broker_that_starts_again_passes_on_nothing_for_fresh(broker: Broker) -> None:
    """It has the last value of before; readings go on when the node is back."""
    with running(keys(broker, OBJECT, WATCHED)) as run:
        node = node_at(broker)
        node.connect()
        with publishing(node, run):
            run.until_value()
        broker.stop()
        run.until_fault("nobody listens there")
        broker.start()
        count = len(run.values())
        run.until_fault(f"{BASE}/status")
        before = len(run.values()) - count
        node.connect()
        with publishing(node, run):
            again = run.until_value()

    assert 0 == before
    assert (42.914, 24.5) == pair(again)


def test_a_last_will_ends_validity_at_once(broker: Broker) -> None:
    """The node loses power; its broker says so before three periods are over."""
    with node_at(broker) as node, running(keys(broker, OBJECT, WATCHED, period_s=20)) as run:
        run.until(lambda: run.driver.fileno() is not None, "a connection")
        while not run.values():
            node.measure(0.0, 42.914, 24.5)
            run.turn()
        node.vanish()
        fault = run.until_fault("offline")

    assert f"the node is 'offline' on '{BASE}/status'" in fault


def test_a_node_that_is_out_of_range_is_missed_after_three_periods(broker: Broker) -> None:
    """Its connection stays open for a while, so no last will says anything."""
    with node_at(broker) as node, running(keys(broker, OBJECT, WATCHED)) as run:
        while not run.values():
            node.measure(0.0, 42.914, 24.5)
            run.turn()
        line = node.fade()
        fault = run.until_fault("nothing came on")
        assert line is not None
        line.close()

    assert f"'{WATER}'" in fault


@pytest.mark.parametrize(
    "trouble, part",
    [
        ("wordy", "'nan' where a number is due"),
        ("reshaped", "'/conductivity' leads nowhere"),
        ("other_unit", "it is in 'uS/cm', and units.conductivity is 'mS/cm'"),
    ],
)
def test_a_new_program_on_the_node_is_noticed(broker: Broker, trouble: str, part: str) -> None:
    """It says a word, names things otherwise, or changed its unit: no wrong value is taken."""
    with node_at(broker) as node, running(keys(broker, OBJECT)) as run:
        setattr(node.trouble, trouble, True)
        with publishing(node, run):
            run.until_fault(part)

    assert [] == run.values()


def test_a_node_that_repeats_one_value_for_ever_is_noticed(broker: Broker) -> None:
    """Its program hangs with the sensor; the time stamp tells."""
    with node_at(broker) as node, running(keys(broker, STAMPED)) as run, publishing(node, run):
        run.until_value()
        node.trouble.stuck = True
        fault = run.until_fault("repeats the time stamp")

    assert WATER in fault


def test_a_message_that_comes_twice_counts_once(broker: Broker) -> None:
    """As after a lost acknowledgement: the broker takes the second one for another message."""
    with node_at(broker) as node, running(keys(broker, STAMPED)) as run:
        node.trouble.twice = True
        for count in range(4):
            run.until(lambda: run.driver.fileno() is not None, "a connection")
            run.run_s(PERIOD_S)
            node.measure(PERIOD_S * count, 40.0 + count, 24.5)
        run.run_s(PERIOD_S)
        values = [each.conductivity_mS_cm for each in run.values()]

    assert sorted(set(values), key=float) == values  # type: ignore[arg-type]
    assert 43.0 in values


def test_two_nodes_on_one_topic_are_told_apart_by_their_stamps(broker: Broker) -> None:
    """The one whose clock is behind is refused, and the fault says why."""
    other = node_at(broker, base="fish-room/mix-2", clock_off_s=-50.0)
    with node_at(broker) as node, other, running(keys(broker, STAMPED)) as run:
        t_s = 0.0
        while not run.values():
            t_s += PERIOD_S
            node.measure(t_s, 42.914, 24.5)
            run.run_s(PERIOD_S)
        (stray,) = other.messages(t_s, 12.0, 24.5)
        other.publish(replace(stray, topic=WATER))
        run.until_fault("earlier than one before it")

    assert {42.914} == {each.conductivity_mS_cm for each in run.values()}


def test_two_reservoirs_read_their_nodes_over_one_broker(broker: Broker) -> None:
    """Each gets its own values, and the loss of one node is a fault of one reservoir."""
    other = OBJECT.replace("mix-1", "mix-2")
    left, right = node_at(broker), node_at(broker, base="fish-room/mix-2")
    with (
        left,
        right,
        running(keys(broker, OBJECT, WATCHED)) as one,
        running(keys(broker, other, WATCHED.replace("mix-1", "mix-2"))) as two,
    ):
        while not (one.values() and two.values()):
            left.measure(0.0, 41.0, 24.0)
            right.measure(0.0, 52.0, 25.0)
            one.turn()
            two.turn()
        right.vanish()
        two.until_fault("offline")
        one.turn()

    assert {(41.0, 24.0)} == {pair(each) for each in one.values()}
    assert {(52.0, 25.0)} == {pair(each) for each in two.values()}
    assert not [fault for fault in one.faults() if "offline" in fault]
