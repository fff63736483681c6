"""What listening proposes of any bytes: the configuration takes it, and it reads the lines."""

from __future__ import annotations

import re
import tomllib

from daemon.probes.draft.line_draft import draft_of_line
from daemon.probes.draft.section_draft import draft_faults
from daemon.probes.transport import SerialLine
from daemon.wire.line import Spoken
from daemon.wire.listening.findings import findings
from daemon.wire.listening.reply_proposal import ReplyProposal
from daemon.wire.listening.study import Chunk, Study, study
from tests.campaigns.parsers.target import Target, chunks

STEP_S = 0.25
LINE = SerialLine("/dev/serial/by-id/usb-adapter")
REQUEST = b"READ?\r\n"


def read_listening(data: bytes) -> bool:
    """Bytes of an unknown instrument, asked and not."""
    came = [Chunk(STEP_S * place, piece) for place, piece in enumerate(chunks(data))]
    proposals = []
    for request in (b"", REQUEST):
        shown = study(came, request)
        sentences = findings(shown, LINE.baud, was_asked=bool(request))
        assert all(each and each.isprintable() for each in sentences), sentences
        if shown.proposal is not None:
            _prove_example(shown.proposal)
            _prove_section(shown, request)
            proposals.append(shown.proposal)
    return bool(proposals)


def _prove_example(proposal: ReplyProposal) -> None:
    """See that Python's own patterns read the same numbers in the example."""
    line, spoken = proposal.example
    fitted = re.fullmatch(proposal.reply, line, re.ASCII)
    assert fitted is not None, (proposal.reply, line)
    numbers = {
        name: float(text.replace(proposal.decimal, "."))
        for name, text in fitted.groupdict().items()
    }
    read = Spoken(numbers.get("conductivity"), numbers.get("temperature"), None)
    assert read == spoken, (proposal.reply, line)
    assert numbers.keys() == proposal.units.keys()


def _prove_section(shown: Study, request: bytes) -> None:
    """See that the section that is drafted is right, and says what was proposed."""
    draft = draft_of_line(shown, LINE, request, 2.0)
    assert draft is not None
    proposal = shown.proposal
    assert proposal is not None
    keys = tomllib.loads(draft.text.partition("]]\n")[2])
    said = (keys["reply"], keys["decimal"], keys["encoding"], keys["units"])
    assert said == (proposal.reply, proposal.decimal, proposal.encoding, proposal.units)
    assert draft_faults(draft) == [], draft.text


TARGETS = (
    Target(
        "listening",
        read_listening,
        (
            b"42.914,15.00\r\n42.915,15.01\r\n42.911,15.02\r\n",
            b"EC=50312 uS/cm T=24,98 C\nEC=50310 uS/cm T=24,99 C\nEC=50309 uS/cm T=24,97 C\n",
            "κ 50.3 mS/cm, 24.9 °C\r\nκ 50.2 mS/cm, 24.8 °C\r\n".encode(),
        ),
    ),
)
