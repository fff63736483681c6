"""What counts as the answer to a request for registers, and what is refused, with which words."""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.modbus import (
    EXCEPTIONS,
    Answer,
    ModbusError,
    ReadRequest,
    Refusal,
    Registers,
    RtuAnswer,
    Shape,
    StreamError,
    TcpAnswer,
    TcpStream,
)
from simulators.modbus import with_crc

REQUEST = ReadRequest(7, 3, 0, 2)
RIGHT = with_crc(bytes.fromhex("07 03 04 42 49 3F 7D"))
VALUES = Registers((0x4249, 0x3F7D))
OTHERS = frozenset({Shape(7, 4, 1), Shape(9, 3, 2)})
FRAMES = [
    RIGHT,
    with_crc(bytes.fromhex("07 83 02")),
    with_crc(bytes.fromhex("07 84 02")),
    with_crc(bytes.fromhex("08 03 04 42 49 3F 7D")),
    with_crc(bytes.fromhex("07 04 04 42 49 3F 7D")),
    with_crc(bytes.fromhex("07 03 02 42 49")),
    with_crc(bytes.fromhex("07 03 06 42 49 3F 7D 00 00")),
    with_crc(bytes.fromhex("07 04 02 42 49")),
    REQUEST.rtu(),
    ReadRequest(7, 3, 40, 2).rtu(),
]


def outcome(data: bytes, cuts: tuple[int, ...] = (), request: ReadRequest = REQUEST) -> str:
    """What comes of bytes that are fed in pieces: an answer, a refusal, or what is missing."""
    taking = RtuAnswer(request, OTHERS)
    ends = [0, *sorted(min(each, len(data)) for each in cuts), len(data)]
    try:
        for begin, end in pairwise(ends):
            answer = taking.feed(data[begin:end])
            if answer is not None:
                return repr(answer)
    except ModbusError as exc:
        return str(exc)
    return taking.missing()


def test_an_answer_is_taken() -> None:
    """Its registers in their order."""
    assert VALUES == RtuAnswer(REQUEST).feed(RIGHT)


def test_the_echo_of_a_request_is_passed_over() -> None:
    """Some adapters hear what they send; the answer follows."""
    taking = RtuAnswer(REQUEST)

    assert taking.feed(REQUEST.rtu()) is None
    assert taking.echo
    assert VALUES == taking.feed(RIGHT)


@pytest.mark.parametrize("glitch", ["00", "FF", "00 FF 00"])
def test_a_glitch_before_an_answer_is_passed_over(glitch: str) -> None:
    """A line that turns around makes zeros and ones of nothing; no frame begins with either."""
    data = bytes.fromhex(glitch)

    assert VALUES == RtuAnswer(REQUEST).feed(data + RIGHT)
    assert VALUES == RtuAnswer(REQUEST).feed(data + REQUEST.rtu() + data + RIGHT)


@pytest.mark.parametrize(
    "data, said",
    [
        (b"", "no answer"),
        (b"\xff\x00", "no answer but ff 00"),
        (RIGHT[:5], "the answer broke off after 5 of 9 bytes (07 03 04 42 49); check baud"),
        (RIGHT[:-1] + b"\x00", "the check value (CRC) of 07 03 04 42 49 3f 7d "),
        (REQUEST.rtu(), "only the echo of the request came back; check that the unit has power"),
        (REQUEST.rtu()[:6], "only the beginning of the request came back"),
        (FRAMES[3], "unit 8 answered instead of unit 7; check that each unit has an address"),
        (FRAMES[4], "an answer to function 4 came instead of 3, to a request that was not the"),
        (FRAMES[5], "an answer of 2 bytes came instead of 4, to a request that was not the last"),
        (FRAMES[6], "an answer of 6 bytes came instead of 4, to a request that was not the last"),
        (FRAMES[9] + RIGHT, "the check value (CRC) of"),
        (b"\x07\x10\x00", "07 10 00 came, which is no answer; check baud, parity and stopbits"),
        (b"\x55" * 300, "which is no frame; check baud, parity and stopbits, the wires"),
        (b"\0" * 300, "which is no frame; check baud"),
    ],
)
def test_what_is_no_answer_is_refused_with_the_reason(data: bytes, said: str) -> None:
    """Nothing is cut out of what came: bytes that nobody can explain make it no answer."""
    assert said in outcome(data)


@pytest.mark.parametrize("code", EXCEPTIONS)
def test_a_refusal_is_a_sentence(code: int) -> None:
    """What the unit means by it, and what to do."""
    answer = RtuAnswer(REQUEST).feed(with_crc(bytes((7, 0x83, code))))

    assert isinstance(answer, Refusal)
    assert answer.sentence.startswith(f"unit 7 refuses (exception {code}): ")
    assert "; " in answer.sentence
    assert "{" not in answer.sentence


def test_a_code_of_a_makers_own_is_said_with_its_number() -> None:
    """The specification knows nine."""
    assert Refusal(REQUEST, 0x42).sentence == (
        "unit 7 refuses (exception 66): this code is the maker's own; see the manual"
    )


def test_a_late_answer_that_looks_otherwise_is_passed_over() -> None:
    """One to an earlier request of this unit or of another, before the answer itself."""
    late = with_crc(bytes.fromhex("07 04 02 00 01")) + with_crc(
        bytes.fromhex("09 03 04 11 11 22 22")
    )
    refused = with_crc(bytes.fromhex("07 84 02")) + with_crc(bytes.fromhex("09 83 02"))

    assert VALUES == RtuAnswer(REQUEST, OTHERS).feed(late + refused + RIGHT)


@given(st.permutations(FRAMES), st.lists(st.integers(0, 60), max_size=6), st.integers(0, 60))
def test_any_chopping_of_the_same_bytes_ends_alike(
    frames: list[bytes], cuts: list[int], length: int
) -> None:
    """Whatever frames follow one another, whole or broken off."""
    data = b"".join(frames)[:length]

    assert outcome(data) == outcome(data, tuple(cuts))


@given(st.binary(max_size=40), st.integers(0, 8), st.integers(1, 255))
def test_no_frame_with_a_failed_check_becomes_registers(tail: bytes, at: int, flip: int) -> None:
    """A byte that was changed in an answer is noticed, wherever it is, and whatever follows."""
    broken = bytearray(RIGHT)
    broken[at] ^= flip

    assert not outcome(bytes(broken) + tail).startswith("Registers")


@given(st.binary(max_size=60), st.lists(st.integers(0, 60), max_size=4))
def test_no_bytes_raise_another_exception(data: bytes, cuts: list[int]) -> None:
    """On a line and on a connection: an answer, a sentence, or the wait for more."""
    taking = TcpAnswer(REQUEST, 5, TcpStream())
    with suppress(ModbusError):
        taking.feed(data)

    assert outcome(data, tuple(cuts)).isprintable()
    assert taking.missing().isprintable()


def tcp(transaction: int, unit: int, pdu: str) -> bytes:
    """A frame of a connection."""
    data = bytes((unit,)) + bytes.fromhex(pdu)
    return transaction.to_bytes(2, "big") + b"\0\0" + len(data).to_bytes(2, "big") + data


def test_an_answer_with_another_number_is_passed_over() -> None:
    """So one to the request before is never taken, though all else of it fits."""
    late, right = tcp(4, 7, "03 04 00 00 00 00"), tcp(5, 7, "03 04 42 49 3F 7D")
    taking = TcpAnswer(REQUEST, 5, TcpStream())

    assert taking.feed(late) is None
    assert VALUES == taking.feed(right)


def test_the_beginning_of_a_frame_is_kept_for_the_next_request() -> None:
    """A connection has no silence between frames: what is left belongs to the stream."""
    stream, right = TcpStream(), tcp(5, 7, "03 04 42 49 3F 7D")
    late = tcp(4, 7, "03 04 00 00 00 00")

    assert TcpAnswer(REQUEST, 4, stream).feed(late[:9]) is None
    assert "the answer broke off after 9 bytes" in TcpAnswer(REQUEST, 4, stream).missing()
    assert VALUES == TcpAnswer(REQUEST, 5, stream).feed(late[9:] + right)


@pytest.mark.parametrize(
    "frame, said",
    [
        (tcp(5, 8, "03 04 42 49 3F 7D"), "unit 8 answered instead of unit 7"),
        (tcp(5, 7, "04 04 42 49 3F 7D"), "an answer to function 4 came instead of 3"),
        (tcp(5, 7, "03 02 42 49"), "an answer of 2 bytes came instead of 4"),
        (tcp(5, 7, "03 02 42 49 3F 7D"), "an answer of 4 bytes came instead of 4"),
        (tcp(5, 7, "03 04 42 49 3F"), "an answer of 3 bytes came instead of 4"),
        (tcp(5, 7, "83"), None),
    ],
)
def test_a_frame_with_the_right_number_must_answer_the_request(
    frame: bytes, said: str | None
) -> None:
    """Unit, function and length; one too short to be an answer ends the stream."""
    with pytest.raises(StreamError if said is None else ModbusError, match=said):
        TcpAnswer(REQUEST, 5, TcpStream()).feed(frame)


@pytest.mark.parametrize("data", [REQUEST.rtu(), b"HTTP/1.1 400", b"\0\5\0\0\xff\xff\7\3"])
def test_another_protocol_ends_the_stream(data: bytes) -> None:
    """RTU over TCP, a web server, a length that no frame has."""
    with pytest.raises(StreamError, match="no frame of Modbus TCP; check that this port speaks"):
        TcpStream().feed(data)


def test_a_short_answer_that_begins_like_the_request_waits_for_the_rest() -> None:
    """One register from 0x0200 on: seven bytes of its echo would be taken for an answer."""
    request = ReadRequest(7, 3, 0x0200, 1)
    taking = RtuAnswer(request)
    answers: list[Answer | None] = [taking.feed(request.rtu()[n : n + 1]) for n in range(8)]

    assert [None] * 8 == answers
    assert taking.echo
