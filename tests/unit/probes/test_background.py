"""The thread that does what may block: its answers, what it never mixes up, and its hangs."""

from __future__ import annotations

import os
import random
import select
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.probes.background import Background, Caller, Outcome
from tests.conftest import PATIENCE_S, wait_until

ROOT = Path(__file__).parents[3]


class Gate:
    """A read that does not return before it is opened."""

    def __init__(self) -> None:
        """Begin shut."""
        self.begun, self.opened = threading.Event(), threading.Event()

    def read(self) -> str:
        """Hang until a test opens it."""
        self.begun.set()
        assert self.opened.wait(PATIENCE_S)
        return "late"


@pytest.fixture
def gate() -> Iterator[Gate]:
    """A read that hangs at most as long as the test."""
    one = Gate()
    yield one
    one.opened.set()


def rings(caller: Caller[str], within_s: float = PATIENCE_S) -> bool:
    """Whether the descriptor of a caller can be read within so many seconds."""
    descriptor = caller.fileno()
    assert descriptor is not None
    return bool(select.select([descriptor], [], [], within_s)[0])


def answer(caller: Caller[str]) -> Outcome[str]:
    """What comes of a request."""
    while rings(caller):
        outcome = caller.take()
        if outcome is not None:
            return outcome
    raise AssertionError("nothing came")


def test_a_result_comes_back_from_another_thread() -> None:
    """The descriptor can be read once it is there, and not after it was taken."""
    caller = Caller[str](Background("i2c-1"))
    caller.submit(lambda: threading.current_thread().name)
    outcome = answer(caller)

    assert "i2c-1" == outcome.value()
    assert caller.take() is None
    assert not caller.outstanding
    assert not rings(caller, within_s=0.0)
    caller.close()


def test_nothing_is_open_before_the_first_request() -> None:
    """A driver that is made opens nothing yet."""
    caller = Caller[str](Background("i2c-1"))

    assert caller.fileno() is None
    assert caller.take() is None


@pytest.mark.parametrize(
    "error, expected",
    [
        (OSError(5, "Input/output error"), OSError),
        (KeyError("x"), KeyError),
        (SystemExit(1), RuntimeError),
    ],
)
def test_an_exception_comes_back_and_the_thread_goes_on(
    error: BaseException, expected: type[Exception]
) -> None:
    """It is raised where the value is asked for, and none of them ends a process."""
    caller = Caller[str](Background("i2c-1"))

    def fail() -> str:
        raise error

    caller.submit(fail)
    outcome = answer(caller)
    with pytest.raises(expected):
        outcome.value()
    caller.submit(lambda: "after")

    assert "after" == answer(caller).value()
    caller.close()


def test_a_late_result_is_not_taken_for_the_answer_to_a_later_request(gate: Gate) -> None:
    """What was given up is for nobody, when it comes at last."""
    caller = Caller[str](Background("i2c-1"))
    caller.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)
    caller.give_up()
    caller.submit(lambda: "own")
    gate.opened.set()

    assert "own" == answer(caller).value()
    assert caller.take() is None
    caller.close()


def test_what_was_given_up_wakes_nobody(gate: Gate) -> None:
    """Its descriptor tells only of an answer that is waited for."""
    bus = Background("i2c-1")
    caller, after = Caller[str](bus), Caller[str](bus)
    caller.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)
    caller.give_up()
    gate.opened.set()
    # One thread does both in order, so the first is over when the second is.
    after.submit(lambda: "after")

    assert "after" == answer(after).value()
    assert not rings(caller, 0.0)
    caller.close()
    after.close()


def test_each_answer_is_to_the_newest_request() -> None:
    """Whatever is submitted, given up and taken in between, in any order."""
    chance, caller = random.Random(7), Caller[str](Background("i2c-1"))
    taken = 0
    for number in range(2000):
        caller.submit(partial(str, number))
        doing = chance.random()
        if doing < 0.2:
            caller.give_up()
            assert caller.take() is None
        elif doing < 0.6:
            assert str(number) == answer(caller).value()
            taken += 1
        elif (outcome := caller.take()) is not None:
            assert str(number) == outcome.value()
    caller.close()

    assert taken > 500


def test_a_bus_that_hangs_delays_no_other(gate: Gate) -> None:
    """Its callers return at once, and the other bus answers meanwhile."""
    hanging, other = Caller[str](Background("i2c-1")), Caller[str](Background("i2c-2"))
    hanging.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)
    hanging.submit(lambda: "behind")
    other.submit(lambda: "here")

    assert "here" == answer(other).value()
    assert hanging.take() is None
    hanging.close()
    other.close()


def test_callers_of_one_bus_are_served_in_order_and_one_at_a_time() -> None:
    """Each gets its own answer, and no two functions run together."""
    background, running, most = Background("w1"), list[int](), list[int]()
    callers = [Caller[str](background) for _ in range(8)]

    def read(number: int) -> Callable[[], str]:
        def work() -> str:
            running.append(number)
            most.append(len(running))
            running.remove(number)
            return f"sensor {number}"

        return work

    for turn in range(20):
        for number, caller in enumerate(callers):
            caller.submit(read(100 * turn + number))
        answers = [answer(caller).value() for caller in callers]
        assert [f"sensor {100 * turn + number}" for number in range(8)] == answers
    for caller in callers:
        caller.close()

    assert {1} == set(most)


def test_what_is_given_up_while_a_bus_hangs_is_never_carried_out(gate: Gate) -> None:
    """However often a driver asks again, one request waits."""
    background, carried_out = Background("w1"), list[int]()
    first, caller = Caller[str](background), Caller[str](background)
    first.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)

    def read(number: int) -> Callable[[], str]:
        def work() -> str:
            carried_out.append(number)
            return ""

        return work

    for number in range(1000):
        caller.submit(read(number))
    gate.opened.set()
    answer(caller)

    assert [999] == carried_out
    first.close()
    caller.close()


def test_the_same_thread_goes_on_after_a_hang(gate: Gate) -> None:
    """It returns, and does what waits: a second thread never comes to the same bus."""
    caller = Caller[str](Background("one-bus"))
    caller.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)
    caller.close()
    caller.submit(lambda: "behind")
    assert 1 == threads("one-bus")
    gate.opened.set()

    assert "behind" == answer(caller).value()
    assert 1 == threads("one-bus")
    caller.close()


def test_a_result_after_the_close_reaches_no_other_file(gate: Gate) -> None:
    """The number of a closed descriptor may be that of another file by then."""
    background = Background("one-bus-closed")
    caller, other = Caller[str](background), Caller[str](background)
    caller.submit(gate.read)
    assert gate.begun.wait(PATIENCE_S)
    number = caller.fileno()
    caller.close()
    other.submit(lambda: "behind")
    stranger = os.eventfd(0, os.EFD_NONBLOCK)
    if stranger != number and number is not None:
        os.dup2(stranger, number)
    gate.opened.set()
    assert "behind" == answer(other).value()
    with pytest.raises(BlockingIOError):
        os.eventfd_read(stranger)
    for each in {stranger, number} - {None, other.fileno()}:
        os.close(int(str(each)))
    other.close()


def test_the_thread_ends_with_the_last_caller() -> None:
    """A driver that is closed leaves neither thread nor descriptor."""
    background = Background("one-bus-ended")
    callers = [Caller[str](background) for _ in range(2)]
    before = len(list(Path("/proc/self/fd").iterdir()))
    for caller in callers:
        caller.submit(lambda: "")
        answer(caller)
    callers[0].close()
    callers[0].close()
    assert 1 == threads("one-bus-ended")
    callers[1].close()

    wait_until(lambda: threads("one-bus-ended") == 0, "the thread to end", PATIENCE_S)
    assert before == len(list(Path("/proc/self/fd").iterdir()))


def test_a_read_that_hangs_does_not_hold_up_the_end_of_the_process(tmp_path: Path) -> None:
    """A named pipe to which nobody writes hangs as long as nobody does."""
    pipe = tmp_path / "in_temp_raw"
    os.mkfifo(pipe)
    program = f"""
from pathlib import Path
from daemon.probes.background import Background, Caller
caller = Caller(Background("hanging"))
caller.submit(Path({str(pipe)!r}).read_bytes)
print("ended")
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=True,
    )  # fmt: skip

    assert ("ended\n", "") == (done.stdout, done.stderr)


def threads(name: str) -> int:
    """How many threads are called so."""
    return sum(each.name == name for each in threading.enumerate())
