"""What is said to one SDI-12 instrument, in which order, to have a measurement of it.

A conversation is a generator: it yields the next step, is sent what came of it, and returns the
values.  It knows neither time nor line; who drives it resends a command that is not answered, and
throws the fault into it where that is in vain.

Source: SDI-12, version 1.4 (2019), section 4.4 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from functools import partial
from typing import TypeAlias, TypeVar, cast

from daemon.errors import BrinewrightError
from daemon.wire import sdi12
from daemon.wire.sdi12 import LAST_PAGE, Announcement, Measurement

T = TypeVar("T")
LONGEST_PERIOD_S = 60
OTHER_MEASUREMENT = "correct measurement by its manual: not each instrument has each of them"


class ConversationError(BrinewrightError):
    """A conversation gave no measurement; the text says why, and what to do.

    Its place, which is the line, is for whoever drives the conversation to add.
    """


class Silence(ConversationError):  # noqa: N818 - what there is instead of a reply
    """A command had no reply at all, however often it was sent; the text may say why."""


@dataclass(frozen=True, slots=True)
class Request:
    """Send a command and read its reply.

    Attributes:
        command: With its address and "!".
        read: Returns what the reply means, or raises `sdi12.Unreadable`.
        may_be_late_request: Whether an address alone may be a service request that comes late.
        once: Whether it is not sent again where no reply comes.
    """

    command: str
    read: Callable[[str], object]
    may_be_late_request: bool = False
    once: bool = False


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait until an instrument has its data.

    Attributes:
        seconds: The longest that it takes, s.
        holds_line: Whether nobody else may speak meanwhile, and it says when it is ready.
    """

    seconds: int
    holds_line: bool


Step: TypeAlias = Request | Wait
Conversation: TypeAlias = Generator[Step, object, T]


@dataclass(frozen=True, slots=True)
class Instrument:
    """What a conversation is about.

    Attributes:
        address: One letter or digit.
        measurement: Which one is made.
        identification: What it must say that it is, or the beginning of that; empty for no matter.
        most: The highest number of a value that is used.
        period_s: Seconds between readings.
        is_alone: Whether no other address of its line is known.
    """

    address: str
    measurement: Measurement
    identification: str = ""
    most: int = 1
    period_s: float = 2.0
    is_alone: bool = True


def measure(
    one: Instrument, *, identify: bool = False, diagnose: bool = True
) -> Conversation[tuple[float, ...]]:
    """Return the values of one measurement.

    Args:
        one: The instrument.
        identify: Whether to make sure first that it is the one that is expected.
        diagnose: Whether to find out more where it does not answer.

    Raises:
        Silence: It does not answer.
        ConversationError: It is another one, needs longer than its period, has not the values,
            or what it said in between belongs to something else.
    """
    command, remedy = f"{one.address}I!", "leave identification out"
    try:
        if identify and one.identification:
            yield from _identify(one)
        command, remedy = _start_command(one), OTHER_MEASUREMENT
        start = yield from _start(one)
    except Silence:
        if diagnose:
            yield from _diagnose(one, command, remedy)
        raise
    _check_start(one, start)
    requested = True
    if start.wait_s:
        step = Wait(start.wait_s, holds_line=not one.measurement.concurrent)
        requested = bool((yield step)) or one.measurement.concurrent
    return (yield from _data(one, start, may_be_late_request=not requested))


def _ask(command: str, read: Callable[[str], T], *, once: bool = False) -> Conversation[T]:
    return cast("T", (yield Request(command, read, once=once)))


def _identify(one: Instrument) -> Conversation[None]:
    read = partial(sdi12.identification, address=one.address)
    said = yield from _ask(f"{one.address}I!", read)
    if not said.startswith(one.identification.rstrip()):
        raise ConversationError(
            f"another instrument is at address {one.address}: it says that it is {said!r}, not"
            f" {one.identification!r}; put the right one back, or correct identification, and"
            " calibrate the new one"
        )


def _start(one: Instrument) -> Conversation[Announcement]:
    read = partial(sdi12.announcement, address=one.address, measurement=one.measurement)
    return (yield from _ask(_start_command(one), read))


def _start_command(one: Instrument) -> str:
    return f"{one.address}{one.measurement.word}!"


def _check_start(one: Instrument, start: Announcement) -> None:
    if start.values < one.most:
        raise ConversationError(
            f"address {one.address} announces {start.values} values to {_start_command(one)}, and"
            f" value {one.most} is to be read; correct measurement, or the numbers of the values"
        )
    if start.wait_s >= one.period_s:
        least_s = start.wait_s + 1
        what = (
            f"set period_s = {least_s} or more"
            if least_s <= LONGEST_PERIOD_S
            else "which no period_s allows; set the instrument to a shorter measurement"
        )
        raise ConversationError(
            f"address {one.address} announces {start.wait_s} s for {_start_command(one)}, longer"
            f" than period_s = {one.period_s:g} allows; {what}"
        )


def _data(
    one: Instrument, start: Announcement, *, may_be_late_request: bool
) -> Conversation[tuple[float, ...]]:
    read = partial(sdi12.values, address=one.address, measurement=one.measurement)
    found: list[float] = []
    for page in range(LAST_PAGE + 1):
        request = Request(f"{one.address}D{page}!", read, may_be_late_request and not page)
        more = cast("tuple[float, ...]", (yield request))
        found += more
        if not more or len(found) >= start.values:
            break
    if not found:
        raise ConversationError(
            f"address {one.address} has no data for {_start_command(one)}: the measurement was"
            " ended before its time; see that no other logger is on this line, and check its supply"
        )
    if len(found) != start.values:
        raise ConversationError(
            f"address {one.address} announced {start.values} values to {_start_command(one)} and"
            f" sent {len(found)}; none of them is used; check the line, and the instrument if this"
            " stays"
        )
    return tuple(found)


def _diagnose(one: Instrument, command: str, remedy: str) -> Conversation[None]:
    """Raise what is found out of an instrument that does not answer; return where nothing is."""
    if (
        yield from _answers(f"{one.address}!", partial(sdi12.acknowledgement, address=one.address))
    ):
        raise Silence(f"address {one.address} is there and does not answer {command}; {remedy}")
    if not one.is_alone:
        return
    found = yield from _answers("?!", sdi12.own_address)
    if found and found != one.address:
        raise Silence(
            f"no reply from address {one.address}; the one instrument there has address {found};"
            f' set address = "{found}", or give it its address back'
        )


def _answers(command: str, read: Callable[[str], T]) -> Conversation[T | None]:
    try:
        return (yield from _ask(command, read, once=True))
    except ConversationError:
        return None
