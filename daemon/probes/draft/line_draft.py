"""A draft for a serial line that was listened to."""

from __future__ import annotations

from daemon.probes.draft.section_draft import Answer, Draft, draft_section
from daemon.probes.transport import SerialLine
from daemon.wire.listening.study import Study

SHORTEST_S, LONGEST_S = 0.2, 60.0
"""Periods that a section may have."""


def draft_of_line(
    heard: Study, line: SerialLine, request: bytes, every_s: float, name: str = "ct-1"
) -> Draft | None:
    """Return a draft of what listening proposes; None where it proposes nothing.

    Args:
        heard: What listening showed.
        line: How the port was set where it read text.
        request: What was sent; empty for nothing.
        every_s: Seconds between two requests.
        name: Of the probe, or of the input where the lines hold no conductivity.
    """
    answers = line_answers(heard, line, request, every_s)
    return None if answers is None else draft_section("line", name, answers)


def line_answers(
    heard: Study, line: SerialLine, request: bytes, every_s: float
) -> dict[str, Answer] | None:
    """Return the keys that listening proposes; None where it proposes nothing.

    Args:
        heard: As for `draft_of_line`, and so the others.
        line: Likewise.
        request: Likewise.
        every_s: Likewise.
    """
    proposal = heard.proposal
    if proposal is None:
        return None
    unsure = {key: _about(key, proposal.unsure) for key in ("reply", "units", "decimal")}
    is_plain = line.parity == "N"
    answers = {
        "port": Answer(line.port, "" if "/by-" in line.port else _PORT),
        "baud": Answer(line.baud),
        "bytesize": Answer(heard.appearance.bytesize if is_plain else line.bytesize),
        "parity": Answer(heard.appearance.parity if is_plain else line.parity),
        "reply": Answer(proposal.reply, unsure["reply"]),
        "decimal": Answer(proposal.decimal, unsure["decimal"]),
        "encoding": Answer(proposal.encoding),
        "units": Answer(proposal.units, unsure["units"]),
    }
    if request:
        answers["request"] = Answer(request.decode("ascii"))
    answers["period_s"] = _period(heard, every_s if request else None)
    if "conductivity" in proposal.units and "temperature" not in proposal.units:
        answers["temperature_from"] = Answer("thermo-1", _NO_TEMPERATURE)
    return answers


_PORT = "'brinewright probe find' shows the name of this port that stays"
_NO_TEMPERATURE = "the lines hold no temperature: name the [[input]] that measures it"


def _period(heard: Study, every_s: float | None) -> Answer:
    if every_s is not None:
        return Answer(min(max(every_s, SHORTEST_S), LONGEST_S))
    if heard.period_s is None:
        return Answer(2.0, "too little came to tell how often it speaks")
    period_s = min(max(round(heard.period_s, 1), SHORTEST_S), LONGEST_S)
    return Answer(period_s, "" if heard.is_regular else "it does not speak at a steady pace")


def _about(key: str, unsure: tuple[str, ...]) -> str:
    """Return what is unsure of one key."""
    start = f"{key}: "
    return "; ".join(each.removeprefix(start) for each in unsure if each.startswith(start))
