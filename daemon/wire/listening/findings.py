"""What listening shows, in sentences for whoever sets a probe up."""

from __future__ import annotations

from daemon.wire.line import shown
from daemon.wire.listening.appearance import Look
from daemon.wire.listening.study import Study


def findings(study: Study, baud: int, *, was_asked: bool) -> list[str]:
    """Return what came, whether the instrument sends without a request, and what to do next.

    Args:
        study: Of what came.
        baud: At which it was read.
        was_asked: Whether a request was sent.
    """
    look, why = study.appearance.look, study.appearance.why
    frame = f"{study.appearance.bytesize}{study.appearance.parity}1"
    if look is Look.SILENCE:
        return [_silence(was_asked=was_asked)]
    if look is not Look.TEXT:
        words = {Look.NOISE: _NOISE, Look.MODBUS: _MODBUS, Look.SDI12: _SDI12}[look]
        return [words.format(baud=baud, frame=frame, why=why)]
    if study.has_echo and not study.lines:
        return [_ECHO, "No reply followed: see the request and its line end in the manual."]
    said = [f"It is text at {baud} Bd, {frame}: {why}.", _rhythm(study, was_asked=was_asked)]
    if study.has_echo:
        said.append(_ECHO)
    return [*said, _reading(study)]


def _reading(study: Study) -> str:
    """Return what the proposed pattern reads, or that there is none."""
    if study.proposal is None:
        return (
            "No number stands at the same place in its lines, so no pattern is proposed; listen"
            " longer, or see the manual."
        )
    line, spoken = study.proposal.example
    numbers = ", ".join(
        f"{name} {value:g} {unit}"
        for name, unit in study.proposal.units.items()
        if (value := getattr(spoken, name)) is not None
    )
    return (
        f"The pattern reads {study.proposal.fitting} of {study.proposal.count} lines; of"
        f" {shown(line)!r} it reads {numbers}."
    )


_MODBUS = (
    "It looks like Modbus RTU at {baud} Bd: {why}. Another master asks on this bus already; two"
    ' masters disturb one another. Use driver = "modbus", with the registers from the manual.'
)
_SDI12 = (
    "It looks like SDI-12 ({baud} Bd, {frame}): an address, then numbers with a sign each. Use"
    ' driver = "sdi12".'
)
_ECHO = (
    "What was sent comes back first: an echo of the adapter (switch it off by its jumper or its"
    " driver) or of the instrument; the line driver passes over it."
)
_NOISE = (
    "What comes is no text and no protocol that is known here ({why}): the speed or the parity is"
    " wrong, the two data wires are swapped, the ground is missing, or the instrument speaks a"
    " binary protocol of its own."
)


def _silence(*, was_asked: bool) -> str:
    if was_asked:
        return (
            "It did not answer: check power, the two data wires (swapped?), speed, and the request"
            " and its line end by the manual."
        )
    return (
        "Nothing came. It waits for a request (its manual says which: give it with --request,"
        " which is then sent), or it has no power, or a data wire is open."
    )


def _rhythm(study: Study, *, was_asked: bool) -> str:
    if was_asked:
        return "It answers the request."
    if study.period_s is None:
        return "It said too little to tell how often it speaks; listen longer."
    if study.is_regular:
        return f"It sends without a request, about every {study.period_s:.3g} s."
    return (
        f"It sends without a request, at no steady pace (about every {study.period_s:.3g} s):"
        " does another program send requests to it?"
    )
