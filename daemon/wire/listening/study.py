"""All that a while of listening shows: what comes, how often, and which settings would read it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from daemon.wire.line import Splitter
from daemon.wire.listening.appearance import Appearance, Look, appearance_of
from daemon.wire.listening.reply_proposal import ReplyProposal, propose_reply

TOGETHER_S = 0.15
"""What comes within so short a time is one message; our own choice, as slow lines pause within."""
FEWEST_GAPS = 2
REGULAR = 0.2
"""Share of the period by which most messages may be early or late and still be regular."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that came together.

    Attributes:
        at_s: When, since listening began, s.
        data: As they came.
    """

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Study:
    """What a while of listening shows.

    Attributes:
        appearance: What the bytes look like.
        period_s: Between two messages, s; None where too few came.
        is_regular: Whether they come at that period, and not now and then.
        proposal: Settings that would read the lines; None where there are none to read.
        lines: Whole lines that came, without an echo.
        has_echo: Whether what was sent came back.
    """

    appearance: Appearance
    period_s: float | None
    is_regular: bool
    proposal: ReplyProposal | None
    lines: int
    has_echo: bool = False


def study(chunks: Sequence[Chunk], request: bytes = b"") -> Study:
    """Return what the bytes of a while show.

    Args:
        chunks: What came, read with 8 data bits and no parity.
        request: What was sent; empty for nothing.
    """
    appearance = appearance_of(b"".join(each.data for each in chunks))
    period_s, is_regular = _rhythm(chunks)
    if appearance.look not in (Look.TEXT, Look.SDI12):
        return Study(appearance, period_s, is_regular, None, 0)
    every = [frame.data for frame in Splitter().feed(appearance.data) if frame.whole]
    lines = [line for line in every if not request or line.strip() != request.strip()]
    has_echo = len(lines) < len(every)
    # An instrument that sends without a request may have been in the middle of its first line.
    lines = lines if request else lines[1:] or lines
    proposal = propose_reply(lines) if appearance.look is Look.TEXT and lines else None
    return Study(appearance, period_s, is_regular, proposal, len(lines), has_echo)


def _rhythm(chunks: Sequence[Chunk]) -> tuple[float | None, bool]:
    """Return the time between two messages, and whether it is always about the same."""
    starts: list[float] = []
    last_s = -1e9
    for each in chunks:
        if each.at_s - last_s > TOGETHER_S:
            starts.append(each.at_s)
        last_s = each.at_s
    gaps = [b - a for a, b in pairwise(starts)]
    if len(gaps) < FEWEST_GAPS:
        return None, False
    period_s = median(gaps)
    near = sum(abs(gap - period_s) <= REGULAR * period_s for gap in gaps)
    return period_s, 2 * near > len(gaps)
