"""One command at a time on an SDI-12 line: silence, a break, the command, and its reply.

A command is preceded by a break, which wakes the instruments.  What has no valid reply is sent
again.  The standard also has resends without a break, within 87 ms of the last character; a reply
through an adapter may take longer than that, so each has its break.  After some breaks the line
rests for more than 100 ms, for an instrument that needs as long to wake.

Source: SDI-12, version 1.4 (2019), section 7 (from memory).
"""

from __future__ import annotations

import errno
import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Protocol

from daemon.probes.transport import TransportError
from daemon.wire import sdi12
from daemon.wire.sdi12 import Frame, FrameKind, Splitter
from daemon.wire.sdi12_conversation import ConversationError, Request, Silence

if TYPE_CHECKING:
    from collections.abc import Callable

BREAK_S = 0.015
"""At least 12 ms by the standard; a wake-up that is late only makes it longer."""
MARKING_S = 0.010
"""At least 8.33 ms by the standard."""
LONG_MARKING_S = 0.115
"""For a resend: an instrument may need 100 ms after a break to wake; 112.5 ms by the standard."""
MAKES_NO_BREAK = (errno.EOPNOTSUPP, errno.ENOTTY, errno.EINVAL)
"""What Linux says of an adapter whose driver knows no breaks (from memory)."""
TRY_OF_OTHER_MARKING = 4
"""Three before it are with the usual one, as the standard asks for three tries."""
LONGEST_QUIET_S = 1.5
"""A line that is never silent is spoken on all the same, so that its fault is noticed."""


class Line(Protocol):
    """The serial line under a bus, as `SerialTransport` is one."""

    @property
    def place(self) -> str:
        """Where it is."""

    def fileno(self) -> int | None:
        """Return the descriptor to watch; None while it is shut."""

    def open(self, now_s: float) -> bool:
        """Open it."""

    def read(self) -> bytes:
        """Return what has arrived."""

    def write(self, data: bytes) -> None:
        """Send all of it."""

    def discard(self) -> None:
        """Throw away what has arrived."""

    def set_break(self, *, on: bool) -> None:
        """Begin or end a break."""

    def close(self) -> None:
        """Shut it."""


@dataclass(frozen=True, slots=True)
class Addressing:
    """How one instrument is spoken to.

    Attributes:
        address: Its own.
        reply_within_s: How long after a command its reply may begin, s.
        tries: How often a command is sent at most.
    """

    address: str
    reply_within_s: float = 0.15
    tries: int = 4


@dataclass(frozen=True, slots=True)
class Answer:
    """A valid reply.

    Attributes:
        result: What it means.
        text: As it was on the line.
    """

    result: object
    text: str


class _State(Enum):
    IDLE = "sends nothing"
    QUIET = "waits until the line is silent"
    BREAK = "sends a break"
    MARKING = "lets the line rest after a break"
    REPLY = "waits for a reply"


@dataclass(slots=True)
class _Command:
    """One command that is sent, and sent again."""

    request: Request
    addressing: Addressing
    tries_left: int
    tried: int = 0
    marking_s: float = MARKING_S
    sent_s: float = 0.0
    echo_came: bool = False
    late_request_came: bool = False
    trouble: str = ""


class Exchange:
    """Sends a command and takes its reply; a plain state machine that never waits.

    Attributes:
        due_s: When `go_on` is to be called next, monotonic s.
    """

    def __init__(
        self, line: Line, character_s: float, *, has_parity: bool = True, sends_break: bool = True
    ) -> None:
        """Remember the line, which is shut.

        Args:
            line: Carries bytes.
            character_s: How long one of them takes on it, s.
            has_parity: Whether the eighth bit of a byte is its parity, to be made and checked here.
            sends_break: Whether breaks are made here, and not by the adapter.
        """
        self.line = line
        self.due_s = math.inf
        self._character_s = character_s
        self._sends_break = sends_break
        self._encode: Callable[[str], bytes] = sdi12.with_parity if has_parity else _plain
        self._other_framing = "8N1" if has_parity else "7E1"
        self._splitter = Splitter(has_parity=has_parity)
        self._state = _State.IDLE
        self._command: _Command | None = None
        self._quiet_from_s = 0.0
        self._is_unsettled = False
        self._strays: set[str] = set()
        self._markings: dict[str, float] = {}
        self._tries_in_vain: dict[str, int] = {}

    def begin(self, request: Request, addressing: Addressing, now_s: float) -> None:
        """Send a command as soon as nothing of an earlier one can still come.

        Raises:
            TransportError: The line was lost, here and in the methods below.
        """
        self._command = _Command(request, addressing, 1 if request.once else addressing.tries)
        self._prepare(self._command, now_s)

    def stop(self) -> None:
        """Send no more of a command."""
        state, self._state = self._state, _State.IDLE
        self._command, self.due_s = None, math.inf
        if state is _State.BREAK:
            # Nobody else could speak.
            self.line.set_break(on=False)

    def reset(self) -> None:
        """Forget all of a line that was lost."""
        self._state, self._command, self.due_s = _State.IDLE, None, math.inf
        self._is_unsettled = False
        self._splitter.clear()

    def unsettle(self) -> None:
        """Wait for silence before the next command, as something else is on the line."""
        self._is_unsettled = True

    def receive(self, now_s: float) -> list[Frame]:
        """Return what has become whole on the line, but for what the adapter echoed."""
        data = self.line.read()
        if data:
            self._prolong(now_s)
        return [each for each in self._splitter.feed(data) if not self._is_echo(each)]

    def go_on(self, now_s: float) -> ConversationError | None:
        """Do what is due; return why a command was in vain, if it was."""
        command = self._command
        if command is None or self._state is _State.IDLE:
            self.due_s = math.inf
        elif self._state is _State.QUIET:
            self._wake_instruments(command, now_s)
        elif self._state is _State.BREAK:
            self.line.set_break(on=False)
            command.marking_s = self._marking_s(command)
            self._enter(_State.MARKING, now_s + command.marking_s)
        elif self._state is _State.MARKING:
            self._send(command, now_s)
        else:
            return self._resend(command, now_s)
        return None

    def take(self, frame: Frame) -> Answer | ConversationError | None:
        """Return what a reply means for the command, or why that is in vain; None to wait on."""
        command = self._command
        if command is None or self._state is not _State.REPLY:
            self._strays.add(frame.text[:1])
            return None
        if frame.damaged:
            command.trouble = self._damage(command, frame.text)
            return None
        is_bare = frame.text == command.addressing.address
        if is_bare and command.request.may_be_late_request and not command.late_request_came:
            command.late_request_came = True
            return None
        return self._read(command, frame.text, is_bare=is_bare)

    def _read(
        self, command: _Command, text: str, *, is_bare: bool
    ) -> Answer | ConversationError | None:
        try:
            result = command.request.read(text)
        except sdi12.OfAnotherRequest as exc:
            if is_bare:
                return None
            self._is_unsettled = True
            self.stop()
            why = "it answers another request; check for a second logger, and restart the adapter"
            return ConversationError(f"{exc}; {why}")
        except sdi12.Unreadable as exc:
            command.trouble = str(exc)
            return None
        address = command.addressing.address
        self._strays.discard(address)
        if command.tried > 1:
            # The answers to the earlier tries may still come.
            self._is_unsettled = True
        if self._tries_in_vain.pop(address, 0):
            self._markings[address] = command.marking_s
        self.stop()
        return Answer(result, text)

    def _damage(self, command: _Command, text: str) -> str:
        """Return what is wrong with a reply whose parity is not as it must be."""
        try:
            command.request.read(text)
        except sdi12.Unreadable:
            return f"noise on the line: {sdi12.quote(text)}"
        return (
            f"the parity of the reply {sdi12.quote(text)} is wrong, which is right otherwise;"
            f' if this stays, set framing = "{self._other_framing}"'
        )

    def _is_echo(self, frame: Frame) -> bool:
        command = self._command
        if frame.kind is FrameKind.REPLY or command is None or command.echo_came:
            return False
        command.echo_came = frame.text == command.request.command
        return command.echo_came

    def _prepare(self, command: _Command, now_s: float) -> None:
        if self._is_unsettled:
            self._quiet_from_s = now_s
            self._enter(_State.QUIET, now_s + command.addressing.reply_within_s)
        else:
            self._wake_instruments(command, now_s)

    def _wake_instruments(self, command: _Command, now_s: float) -> None:
        self.line.discard()
        self._splitter.clear()
        self._is_unsettled = False
        if self._sends_break:
            self._begin_break()
            self._enter(_State.BREAK, now_s + BREAK_S)
        else:
            self._send(command, now_s)

    def _begin_break(self) -> None:
        try:
            self.line.set_break(on=True)
        except TransportError as exc:
            if getattr(exc.__cause__, "errno", None) not in MAKES_NO_BREAK:
                raise
            raise TransportError(
                f"port {self.line.place}: its driver makes no break; where the adapter sends one"
                ' before each command itself, set break_by = "adapter", else take another adapter'
            ) from exc

    def _marking_s(self, command: _Command) -> float:
        """Return how long the line rests after this break: now and then not as it was right before.

        Tries in vain count on from one command to the next, so that one that is sent only once a
        period finds what an instrument needs, and one that learned it wrongly what is right.
        """
        address = command.addressing.address
        usual_s = self._markings.get(address, MARKING_S)
        if (self._tries_in_vain.get(address, 0) + 1) % TRY_OF_OTHER_MARKING:
            return usual_s
        return LONG_MARKING_S if usual_s == MARKING_S else MARKING_S

    def _send(self, command: _Command, now_s: float) -> None:
        text = command.request.command
        self.line.write(self._encode(text))
        command.tries_left, command.tried = command.tries_left - 1, command.tried + 1
        command.sent_s, command.echo_came = now_s + len(text) * self._character_s, False
        self._enter(_State.REPLY, command.sent_s + command.addressing.reply_within_s)

    def _resend(self, command: _Command, now_s: float) -> ConversationError | None:
        """Send a command once more that had no valid reply, or return why it is given up."""
        address = command.addressing.address
        self._tries_in_vain[address] = self._tries_in_vain.get(address, 0) + 1
        if self._splitter.unfinished:
            command.trouble = command.trouble or "a reply ended in its middle"
            self._is_unsettled = True
        if command.tries_left > 0:
            self._prepare(command, now_s)
            return None
        self._is_unsettled = True
        self.stop()
        return self._in_vain(command)

    def _in_vain(self, command: _Command) -> ConversationError:
        addressing = command.addressing
        if command.trouble:
            why = "check the wiring, and that no two instruments have one address"
            return ConversationError(f"{command.trouble}; {why}")
        if addressing.address in self._strays:
            self._strays.clear()
            return ConversationError(
                f"address {addressing.address} answers later than reply_within_s ="
                f" {addressing.reply_within_s:g} allows; set it longer, and see what delays the"
                " adapter"
            )
        why = "check its 12 V supply, its wiring and its address, and framing and break_by"
        return Silence(f"no reply from address {addressing.address}; {why}")

    def _prolong(self, now_s: float) -> None:
        """Wait on while something comes: for the end of a reply, or for silence."""
        command = self._command
        if command is None:
            return
        within_s = command.addressing.reply_within_s
        if self._state is _State.REPLY:
            longest_s = sdi12.LONGEST * self._character_s + 2.0 * within_s
            until_s = min(now_s + within_s, command.sent_s + longest_s)
            self.due_s = max(self.due_s, until_s)
        elif self._state is _State.QUIET:
            self.due_s = min(now_s + within_s, self._quiet_from_s + LONGEST_QUIET_S)

    def _enter(self, state: _State, due_s: float) -> None:
        self._state, self.due_s = state, due_s


def _plain(text: str) -> bytes:
    return text.encode("ascii")
