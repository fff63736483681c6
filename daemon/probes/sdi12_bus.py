"""One SDI-12 line that several probes share: whose turn it is.

A conversation holds the line from its start to its end, except while its instrument measures
concurrently: then others have their turn.  Who waits longest is next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.probes.sdi12_exchange import Addressing, Answer, Exchange
from daemon.probes.transport import TransportError
from daemon.wire import sdi12
from daemon.wire.sdi12 import Frame, FrameKind
from daemon.wire.sdi12_conversation import ConversationError, Request, Wait

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.errors import BrinewrightError
    from daemon.wire.sdi12_conversation import Conversation, Step


@dataclass(slots=True, eq=False)
class Session:
    """One conversation with one instrument, and what came of it.

    Attributes:
        addressing: How the instrument is spoken to.
        conversation: What is said.
        is_over: Whether it has ended, with values or an error.
        values: What was measured, in order; None where it was in vain.
        error: Why it was in vain.
        spoken: The data as the instrument wrote them.
        ready_s: When it wants its turn, monotonic s.
        turn_s: When it had its first turn; None before that.
        measured_s: Since when its data may be what they are: when the measurement began, or its
            instrument said that it was over.
        is_measuring: Whether its instrument measures while others have their turn.
    """

    addressing: Addressing
    conversation: Conversation[tuple[float, ...]]
    is_over: bool = False
    values: tuple[float, ...] | None = None
    error: BrinewrightError | None = None
    spoken: str = ""
    ready_s: float = 0.0
    turn_s: float | None = None
    measured_s: float = 0.0
    is_measuring: bool = False

    @property
    def address(self) -> str:
        """Of the instrument."""
        return self.addressing.address

    def end(
        self, values: tuple[float, ...] | None = None, error: BrinewrightError | None = None
    ) -> None:
        """Take note of what came of it."""
        self.conversation.close()
        self.is_over, self.values, self.error = True, values, error


class Sdi12Bus:
    """All conversations of one line; a plain state machine that never waits."""

    def __init__(self, exchange: Exchange) -> None:
        """Remember what sends and receives; the line is opened when there is something to say."""
        self._line, self._exchange = exchange.line, exchange
        self._members: list[str] = []
        self._waiting: list[Session] = []
        self._turn: Session | None = None
        self._data_due_s: float | None = None

    @property
    def place(self) -> str:
        """Where the line is."""
        return self._line.place

    def join(self, address: str) -> None:
        """Take note of one more that reads an instrument of this address."""
        self._members.append(address)

    def leave(self, address: str) -> None:
        """Take note that one has gone; the last one shuts the line."""
        self._members.remove(address)
        if not self._members:
            self._line.close()

    def is_alone(self, address: str) -> bool:
        """Say whether no other address of this line is known."""
        return set(self._members) <= {address}

    def begin(self, session: Session, now_s: float) -> None:
        """Have a conversation take place as soon as the line is free."""
        session.ready_s = now_s
        self._waiting.append(session)

    def cancel(self, session: Session) -> None:
        """Forget a conversation."""
        session.end()
        if session in self._waiting:
            self._waiting.remove(session)
        if session is self._turn:
            self._attempt(self._free)

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while the line is shut."""
        return self._line.fileno()

    def wake_s(self) -> float:
        """Return when `wake` is to be called next, monotonic s; never while nobody has to speak."""
        if self._turn is None:
            return min((session.ready_s for session in self._candidates()), default=math.inf)
        return self._exchange.due_s if self._data_due_s is None else self._data_due_s

    def readable(self, now_s: float) -> None:
        """Take what has arrived."""

        def take() -> None:
            for frame in self._exchange.receive(now_s):
                self._take(frame, now_s)

        self._attempt(take)

    def wake(self, now_s: float) -> None:
        """Do what is due, by all that has arrived until now."""

        def act() -> None:
            if self._turn is not None and self.wake_s() <= now_s:
                # On a busy machine a reply may wait here for longer than it was to be waited for.
                self.readable(now_s)
            while self.wake_s() <= now_s:
                if self._turn is None:
                    self._give_turn(now_s)
                else:
                    self._go_on(self._turn, now_s)

        self._attempt(act)

    def _attempt(self, act: Callable[[], None]) -> None:
        """Do something; where the line is lost by it, all conversations end."""
        try:
            act()
        except TransportError as exc:
            sessions = [*self._waiting, *([] if self._turn is None else [self._turn])]
            self._waiting.clear()
            self._turn = self._data_due_s = None
            self._exchange.reset()
            for session in sessions:
                session.end(error=exc)

    def _candidates(self) -> list[Session]:
        """Return who may be next: an instrument that measures is not asked for anything else."""
        measuring = {session.address for session in self._waiting if session.is_measuring}
        return [
            session
            for session in self._waiting
            if session.is_measuring or session.address not in measuring
        ]

    def _give_turn(self, now_s: float) -> None:
        self._line.open(now_s)
        session = min(self._candidates(), key=lambda each: each.ready_s)
        self._waiting.remove(session)
        self._turn = session
        # The first thing that a generator is sent must be None.
        result = True if session.is_measuring else None
        session.is_measuring = False
        session.turn_s = now_s if session.turn_s is None else session.turn_s
        self._send_in(session, result, now_s)

    def _go_on(self, session: Session, now_s: float) -> None:
        """Do what is due to whoever has the line."""
        if self._data_due_s is not None:
            self._send_in(session, result=False, now_s=now_s)
            return
        error = self._exchange.go_on(now_s)
        if error is not None:
            self._fail(session, error, now_s)

    def _take(self, frame: Frame, now_s: float) -> None:
        session = self._turn
        if frame.kind is FrameKind.COMMAND:
            self._take_command(frame)
        elif session is None or self._data_due_s is None:
            outcome = self._exchange.take(frame)
            if session is None or outcome is None:
                return
            if isinstance(outcome, Answer):
                session.spoken = sdi12.data_text(session.spoken, outcome.text)
                if isinstance(outcome.result, sdi12.Announcement):
                    session.measured_s = now_s
                self._send_in(session, outcome.result, now_s)
            else:
                self._fail(session, outcome, now_s)
        elif frame.text == session.address and not frame.damaged:
            # A service request.
            session.measured_s = now_s
            self._send_in(session, result=True, now_s=now_s)

    def _take_command(self, frame: Frame) -> None:
        """End what another logger's command spoils."""
        self._exchange.unsettle()
        if frame.damaged:
            return
        error = ConversationError(
            f"another logger sent {sdi12.quote(frame.text)} on this line, which ends what is"
            " measured for this one; give each logger a line of its own"
        )
        for session in [each for each in self._waiting if each.is_measuring]:
            if session.address == frame.text[0]:
                self._waiting.remove(session)
                session.end(error=error)
        if self._turn is not None:
            self._turn.end(error=error)
            self._free()

    def _send_in(self, session: Session, result: object, now_s: float) -> None:
        """Go on with a conversation by what came of its step."""
        self._follow(session, lambda: session.conversation.send(result), now_s)

    def _fail(self, session: Session, error: ConversationError, now_s: float) -> None:
        """Go on with a conversation whose step was in vain."""
        self._follow(session, lambda: session.conversation.throw(error), now_s)

    def _follow(self, session: Session, proceed: Callable[[], Step], now_s: float) -> None:
        self._data_due_s = None
        try:
            step = proceed()
        except StopIteration as end:
            session.end(values=end.value)
            self._free()
        except ConversationError as exc:
            session.end(error=exc)
            self._free()
        else:
            self._do(session, step, now_s)

    def _do(self, session: Session, step: Step, now_s: float) -> None:
        if isinstance(step, Request):
            self._exchange.begin(step, session.addressing, now_s)
        elif step.holds_line:
            self._data_due_s = now_s + step.seconds + session.addressing.reply_within_s
        else:
            self._let_measure(session, step, now_s)

    def _let_measure(self, session: Session, step: Wait, now_s: float) -> None:
        session.ready_s, session.is_measuring = now_s + step.seconds, True
        self._free()
        self._waiting.append(session)

    def _free(self) -> None:
        self._turn = self._data_due_s = None
        self._exchange.stop()
