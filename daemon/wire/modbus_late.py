"""Which answers may still come late on a serial line, and what to ask so that none is mistaken.

An answer says which unit sends it, to which function, and how many registers it holds, but not
which registers, nor to which request.  So after a request that was not answered, an answer of the
same shape would be believed that belongs to the earlier one; and so it would where two requests
of one shape for different registers follow each other and a unit is one behind.  Before such a
request another one is sent whose answer looks otherwise: a unit answers in order, so once it has
answered that, nothing earlier can come any more.  One that repeats its answer to the same request
before is found out in the same way, once a minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.wire.modbus import (
    HOLDING,
    INPUT,
    Answer,
    ReadRequest,
    Refusal,
    Shape,
    is_answer,
)

LATE_S: Final = 10.0
"""No unit answers later than this; our own choice, for one that is silent to every check."""

CHECK_EVERY_S: Final = 60.0
"""So long a unit can be one answer behind before it is found out; our own choice."""
MUTE_S: Final = 600.0
"""So seldom one is checked that was mute to the last check, which costs it a reading."""


@dataclass(frozen=True, slots=True)
class _Sent:
    request: ReadRequest
    at_s: float
    check: bool


class LateAnswers:
    """What was asked on one line and may still be answered, unit by unit."""

    def __init__(self) -> None:
        """Begin with a line on which nothing was asked."""
        self._open: dict[int, list[_Sent]] = {}
        self._last: dict[int, ReadRequest] = {}
        self._check_s: dict[int, float] = {}

    def check_before(self, request: ReadRequest, now_s: float) -> ReadRequest | None:
        """Return what must be answered before this request is sent; None for nothing.

        Args:
            request: For values.
            now_s: Monotonic seconds.
        """
        shapes = {each.request.shape for each in self._waiting(request.unit, now_s)}
        last = self._last.get(request.unit)
        behind = last is not None and last.shape == request.shape and last.first != request.first
        due = now_s >= self._check_s.setdefault(request.unit, now_s + CHECK_EVERY_S)
        if request.shape not in shapes and not behind and not due:
            return None
        # One that was mute to a check is asked another one: it may not know such requests.
        fresh = [each for each in _checks(request) if each.shape not in shapes | {request.shape}]
        return fresh[0] if fresh else _checks(request)[-1]

    def sent(self, request: ReadRequest, now_s: float, *, check: bool = False) -> None:
        """Note that a request goes out; `check` for one of `check_before`."""
        self._open.setdefault(request.unit, []).append(_Sent(request, now_s, check))
        self._last[request.unit] = request
        if check:
            self._check_s[request.unit] = now_s + MUTE_S

    def answered(self, request: ReadRequest, answer: Answer, now_s: float) -> None:
        """Note the answer that came after the newest request of a unit, and was accepted for it.

        What was sent before the one that it answers can come no more.  Where it fits several it
        may be that of the first of them, and those after it are still to come.

        Args:
            request: The newest one.
            answer: A refusal fits every request of its function.
            now_s: Monotonic seconds.
        """
        waiting = self._open.get(request.unit, [])
        if waiting and waiting[-1].check:
            self._check_s[request.unit] = now_s + CHECK_EVERY_S
        fits = [
            each.request.function == request.function
            if isinstance(answer, Refusal)
            else each.request.shape == request.shape
            for each in waiting
        ]
        self._open[request.unit] = waiting[fits.index(True) + 1 :] if any(fits) else waiting

    def late(self, request: ReadRequest, now_s: float) -> frozenset[Shape]:
        """Return what else may come while the answer to a request is awaited."""
        waiting = [each for unit in list(self._open) for each in self._waiting(unit, now_s)]
        return frozenset({each.request.shape for each in waiting} - {request.shape})

    def late_answer(self, data: bytes, now_s: float) -> bool:
        """Return whether bytes that nobody awaits any more are such an answer, whole."""
        waiting = [each for unit in list(self._open) for each in self._waiting(unit, now_s)]
        return is_answer(data, {each.request.shape for each in waiting})

    def _waiting(self, unit: int, now_s: float) -> list[_Sent]:
        kept = [each for each in self._open.get(unit, []) if now_s - each.at_s <= LATE_S]
        self._open[unit] = kept
        return kept


def _checks(request: ReadRequest) -> list[ReadRequest]:
    """Return requests for a few of the same registers, none of which looks like another."""
    functions = (request.function, INPUT if request.function == HOLDING else HOLDING)
    return [
        ReadRequest(request.unit, function, request.first, count)
        for count in (1, 2, 3, 4)
        for function in functions
    ]
