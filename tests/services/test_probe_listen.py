"""`brinewright probe listen` over real pseudo-terminals.

A pseudo-terminal carries bytes at no speed and refuses a parity.  The simulated line gives the
bytes that a receiver of another speed makes of the bits, by the speed that the reader has set.
That proves the search and the judgement; not what a certain adapter delivers of broken characters,
and not that its speed is switched.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from daemon.probes.draft import draft_faults
from daemon.probes.draft.line_draft import draft_of_line
from daemon.probes.listening import Asking, PortUnusable, listen, try_settings
from daemon.probes.transport import SerialLine
from daemon.wire.listening.appearance import Look
from daemon.wire.listening.study import study
from simulators.uart import Framing
from tests.parts.accounts import STRANGER, needs_root, open_folder, run_as
from tests.parts.every_verb import run_here
from tests.parts.talking import Saying, talking

EVERY_S = 0.25
ASKING = ("--seconds", "0.8", "--every", "0.2", "--request")


def text(number: int) -> bytes:
    """A line of an instrument."""
    return b"%d.%d uS/cm;24.%02d C\r\n" % (52510 + number % 3, number % 10, number % 4)


def answer(data: bytes) -> bytes:
    """To its request alone."""
    return text(0) if b"READ?\n" in data else b""


def facts(words: list[str]) -> tuple[int, dict[str, Any], list[dict[str, Any]]]:
    """Exit code, the last object, and those before it."""
    answered = run_here(["probe", "listen", *words, "--json"])
    *before, last = [json.loads(line) for line in answered.out.splitlines()]
    return answered.code, last, before


def test_an_instrument_that_talks_is_shown_and_proposed(tmp_path: Path) -> None:
    """Hex beside text, period, pattern and units; within 80 columns; nothing is written."""
    heard: list[bytes] = []

    def hear(data: bytes) -> bytes:
        heard.append(data)
        return b""

    speaker = Saying(text, EVERY_S, hear)
    with talking(tmp_path / "tty", speaker) as port:
        answered = run_here(["probe", "listen", str(port), "--seconds", "1.6"])

    assert 0 == answered.code
    assert "35 32 35 31 30 2e" in answered.out
    assert "It sends without a request, " in answered.out
    assert 'units = { conductivity = "uS/cm", temperature = "degC" }' in answered.out
    of_others = [line for line in answered.out.splitlines() if str(port) not in line]
    assert [] == [line for line in of_others if len(line) > 80]
    assert [] == heard


@pytest.mark.parametrize("baud", [19200, 4800])
def test_another_speed_is_found_by_trying(tmp_path: Path, baud: int) -> None:
    """What comes is no text at 9600 Bd; it is at the speed of the instrument."""
    with talking(tmp_path / "tty", Saying(text, EVERY_S), Framing(baud)) as port:
        code, last, before = facts([str(port), "--seconds", "1.1"])

    assert (0, "text", baud) == (code, last["looks_like"], last["baud"])
    assert f"{baud} Bd 8N1" == [each for each in before if "setting" in each][-1]["setting"]


def test_seven_bits_with_parity_are_found_without_trying(tmp_path: Path) -> None:
    """The draft has them, and is right in a configuration."""
    sent = Framing(9600, 7, "E")
    with talking(tmp_path / "tty", Saying(text, EVERY_S), sent) as port:
        line = SerialLine(str(port))
        result = study(list(listen(line, 1.2)))
    draft = draft_of_line(result, line, b"", 2.0)

    assert draft is not None
    assert [] == draft_faults(draft)
    assert (7, "E") == (draft.keys["bytesize"], draft.keys["parity"])


def test_a_request_is_sent_only_when_it_is_given(tmp_path: Path) -> None:
    """Silence without it, which says so; an answer with it, and a draft that asks."""
    with talking(tmp_path / "tty", Saying(answer=answer)) as port:
        silent, nothing, _ = facts([str(port), "--seconds", "0.3"])
        asked, something, _ = facts(
            [str(port), "--seconds", "1.0", "--request", "READ?\\n", "--every", "0.25"]
        )

    assert (1, "silence") == (silent, nothing["looks_like"])
    assert "waits for a request" in nothing["findings"][0]
    assert (0, "text") == (asked, something["looks_like"])
    assert "It answers the request." in something["findings"]


def test_an_echo_of_the_request_is_named(tmp_path: Path) -> None:
    """With the reply after it, or alone."""
    with talking(tmp_path / "tty", Saying(answer=lambda data: data + answer(data))) as port:
        _, both, _ = facts(
            [str(port), "--seconds", "0.8", "--request", "READ?\n", "--every", "0.2"]
        )
    with talking(tmp_path / "tty", Saying(answer=lambda data: data)) as port:
        _, alone, _ = facts(
            [str(port), "--seconds", "0.8", "--request", "D0 1\n", "--every", "0.2"]
        )

    assert any("comes back first" in each for each in both["findings"])
    assert both["proposal"] is not None
    assert "No reply followed" in alone["findings"][1]


@pytest.mark.parametrize(
    "message, look",
    [
        (bytes.fromhex("01 04 00 00 00 02 71 CB 01 04 04 42 49 3F 7D EF FB"), "Modbus RTU"),
        (b"0+24.983+50.31\r\n", "SDI-12"),
        (bytes(range(0x80, 0x9F)), "noise"),
    ],
)
def test_protocols_and_noise_are_recognised(tmp_path: Path, message: bytes, look: str) -> None:
    """With a sentence about what to use; noise at every speed stays noise, and ends with 1."""
    with talking(tmp_path / "tty", Saying(lambda _: message, 0.1)) as port:
        code, last, _ = facts([str(port), "--seconds", "0.5", "--search", "0.5"])

    assert (look, int(look == "noise")) == (last["looks_like"], code)
    assert last["proposal"] is None
    assert last["findings"]


def test_the_search_ends_in_time(tmp_path: Path) -> None:
    """However many speeds are left; nothing comes, so each takes its time."""
    with talking(tmp_path / "tty", Saying()) as port:
        tried = list(try_settings(str(port), 0.5, 0.2))

    assert 3 == len(tried)
    assert {Look.SILENCE} == {each.look for each in tried}


def test_a_port_that_cannot_be_opened_is_one_sentence(tmp_path: Path) -> None:
    """69; and a port that is pulled out meanwhile."""
    answered = run_here(["probe", "listen", str(tmp_path / "none")])
    assert (69, 1) == (answered.code, len(answered.sentences))
    assert "there is no such device" in answered.err
    with talking(tmp_path / "tty", Saying(text, 0.1)) as port:
        chunks = listen(SerialLine(str(port)), 30.0, Asking())
        next(chunks)
    with pytest.raises(PortUnusable, match="still plugged in"):
        list(chunks)


def test_a_request_that_cannot_be_sent_is_a_usage_error(tmp_path: Path) -> None:
    """It is empty, or more than ASCII."""
    for request in ("", "µ"):
        answered = run_here(["probe", "listen", str(tmp_path), "--request", request])

        assert (2, 1) == (answered.code, len(answered.sentences))


@needs_root
def test_who_may_not_open_the_port_is_given_the_reason() -> None:
    """In the sentence of the port itself, not in one about the form of an argument."""
    with open_folder() as top:
        port = top / "tty"
        port.touch(mode=0o600)
        words = ["probe", "listen", str(port), "--seconds", "0.1", "--search", "0"]
        run_here(words)  # Loads what the other account may not read.
        said = run_as(STRANGER, lambda: run_here(words).err)

    assert "no permission" in said
    assert "Invalid value" not in said
