"""A serial line of text that cannot be read as configured: which speed, parity or pattern would."""

from __future__ import annotations

from collections.abc import Sequence

from daemon.probes.line_section import LineSection
from daemon.probes.listening import Asking, PortUnusable, listen, try_settings
from daemon.probes.transport import SerialLine
from daemon.wire.listening.appearance import Look
from daemon.wire.listening.study import Chunk, Study, study

PERIODS = 3.0
LONGEST_S = 8.0
"""To listen as configured; our own choice."""


def line_findings(section: LineSection, search_s: float) -> list[str]:
    """Return which settings would read what an instrument says, a sentence each.

    As configured it sends the configured request; other speeds are tried without sending anything,
    so only with an instrument that sends without a request.

    Args:
        section: As it is configured.
        search_s: How long to try other speeds, s; 0 for not at all.
    """
    request = (section.request or "").encode("ascii")
    asking = Asking(request, section.period_s)
    # Eight bits without parity show a parity that the section does not expect.
    line = SerialLine(section.port, section.baud)
    listen_s = min(PERIODS * section.period_s + 0.5, LONGEST_S)
    try:
        chunks = list(listen(line, listen_s, asking))
        result = study(chunks, request)
        if result.appearance.look is Look.NOISE and search_s and not request:
            return _other_speed(section, search_s)
    except PortUnusable as exc:
        return [str(exc)]
    return _of_the_study(section, result, chunks)


def _other_speed(section: LineSection, search_s: float) -> list[str]:
    for trial in try_settings(section.port, search_s, PERIODS * section.period_s):
        if trial.look in (Look.TEXT, Look.SDI12, Look.MODBUS):
            appearance = study(trial.chunks).appearance
            parity = appearance.parity if trial.line.parity == "N" else trial.line.parity
            return [
                f"What comes is {trial.look.value} at {trial.line.baud} Bd and noise at"
                f" {section.baud} Bd: set baud = {trial.line.baud}"
                + _frame(section, appearance.bytesize, parity)
                + _driver(trial.look)
            ]
    speeds = "no usual speed gave text"
    return [f"What comes is noise at {section.baud} Bd, and {speeds} in {search_s:g} s."]


def _of_the_study(section: LineSection, result: Study, chunks: Sequence[Chunk]) -> list[str]:
    look, appearance = result.appearance.look, result.appearance
    if look in (Look.MODBUS, Look.SDI12):
        return [f"What comes looks like {look.value}{_driver(look)}"]
    if look is not Look.TEXT or not chunks:
        return []
    frame = _frame(section, appearance.bytesize, appearance.parity)
    if frame:
        why = appearance.why
        return [f"What comes is text in another frame ({why}){frame.replace(', and', ': set')}."]
    if result.has_echo and not result.lines:
        return ["The request comes back, and nothing after it: an echo, and no reply."]
    if result.proposal is None:
        return []
    reply, decimal = result.proposal.reply, result.proposal.decimal
    keys = f"reply = '{reply}', decimal = \"{decimal}\""
    return [f"The text is written otherwise than reply says: {keys} would read it."]


def _frame(section: LineSection, bytesize: int, parity: str) -> str:
    """Return what to set of data bits and parity; nothing where they are as configured."""
    if (bytesize, parity) == (section.bytesize, section.parity):
        return ""
    return f', and bytesize = {bytesize}, parity = "{parity}"'


def _driver(look: Look) -> str:
    return {
        Look.MODBUS: '; use driver = "modbus".',
        Look.SDI12: '; use driver = "sdi12".',
    }.get(look, ".")
