"""Frames of Modbus against what its specification prints, and check values of its CRC.

Sources: MODBUS Application Protocol Specification V1.1b3 (2012), sections 6.3, 6.4 and 7; MODBUS
over Serial Line, Specification and Implementation Guide V1.02 (2006), appendix B; MODBUS
Messaging on TCP/IP Implementation Guide V1.0b (2006), section 3.1.3; the check value of
CRC-16/MODBUS over "123456789" as the catalogue of parametrised CRC algorithms has it.  From
memory, and computed again here by a division of its own.
"""

from __future__ import annotations

import struct

import pytest
from pymodbus.framer import FramerRTU

from daemon.wire.modbus import (
    EXCEPTIONS,
    ReadRequest,
    Refusal,
    Registers,
    RtuAnswer,
    TcpAnswer,
    TcpStream,
)
from daemon.wire.modbus_values import Form

VECTORS = [
    (b"123456789".hex(" "), "37 4B"),
    ("02 07", "41 12"),  # appendix B: the frame 02 07, whose check value is 1241 hex
    ("01 03 00 00 00 0A", "C5 CD"),
    ("01 04 00 00 00 02", "71 CB"),
    ("11 03 00 6B 00 03", "76 87"),
    ("01 83 02", "C0 F1"),
]


def crc_by_division(data: bytes) -> bytes:
    """CRC-16 with x^16 + x^15 + x^2 + 1, bit by bit over the reflected message."""
    register = 0xFFFF
    for byte in data:
        for bit in range(8):
            out = (register ^ byte >> bit) & 1
            register = register >> 1 ^ (0xA001 if out else 0)
    return struct.pack("<H", register)


@pytest.mark.parametrize("message, check", VECTORS)
def test_the_check_value_of_a_message(message: str, check: str) -> None:
    """As printed; by the library that reads frames, and by a division of our own."""
    data, expected = bytes.fromhex(message), bytes.fromhex(check)

    assert expected == crc_by_division(data)
    assert expected == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(
    "request_of, pdu, answer, registers",
    [
        # Section 6.3: read holding registers 108 to 110 (addresses 006B to 006D).
        (
            ReadRequest(0x11, 3, 0x6B, 3),
            "03 00 6B 00 03",
            "03 06 02 2B 00 00 00 64",
            (0x022B, 0x0000, 0x0064),
        ),
        # Section 6.4: read input register 9 (address 0008).
        (ReadRequest(0x11, 4, 8, 1), "04 00 08 00 01", "04 02 00 0A", (0x000A,)),
    ],
)
def test_the_examples_of_the_specification(
    request_of: ReadRequest, pdu: str, answer: str, registers: tuple[int, ...]
) -> None:
    """Request and answer of functions 3 and 4, on a serial line and over TCP."""
    asked, said = bytes.fromhex("11" + pdu), bytes.fromhex("11" + answer)
    header = bytes.fromhex("15 01 00 00 00")

    assert asked + crc_by_division(asked) == request_of.rtu()
    assert Registers(registers) == RtuAnswer(request_of).feed(said + crc_by_division(said))
    assert header + bytes((len(asked),)) + asked == request_of.tcp(0x1501)
    taken = TcpAnswer(request_of, 0x1501, TcpStream())
    assert Registers(registers) == taken.feed(header + bytes((len(said),)) + said)


def test_the_example_of_a_connection() -> None:
    """Section 3.1.3: register 5 (address 0004) of unit FF, under the number 1501."""
    request = ReadRequest(0xFF, 3, 4, 1)

    assert bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01") == request.tcp(0x1501)
    answer = TcpAnswer(request, 0x1501, TcpStream())
    assert Registers((5,)) == answer.feed(bytes.fromhex("15 01 00 00 00 05 FF 03 02 00 05"))


def test_a_refusal_as_it_is_sent() -> None:
    """Function 3 answered with code 2: 83 02."""
    answer = RtuAnswer(ReadRequest(1, 3, 0, 10)).feed(bytes.fromhex("01 83 02 C0 F1"))

    assert Refusal(ReadRequest(1, 3, 0, 10), 2) == answer


def test_every_code_of_the_specification_has_its_sentence() -> None:
    """Section 7: 1 to 6, 8, 10 and 11."""
    assert {1, 2, 3, 4, 5, 6, 8, 10, 11} == set(EXCEPTIONS)


@pytest.mark.parametrize(
    "order, data",
    [
        ("ABCD", "42 49 3F 7D"),
        ("CDAB", "3F 7D 42 49"),
        ("BADC", "49 42 7D 3F"),
        ("DCBA", "7D 3F 49 42"),
    ],
)
def test_a_float_in_all_four_orders(order: str, data: str) -> None:
    """50.312 is 42493F7D by IEEE 754; each order is a permutation of these four bytes."""
    registers = struct.unpack(">2H", bytes.fromhex(data))

    assert 0x42493F7D == int.from_bytes(struct.pack(">f", 50.312))
    assert pytest.approx(50.312, rel=1e-7) == Form("float32", order).number(registers)


def test_a_whole_answer_with_a_float() -> None:
    """Unit 1, function 4, two registers: 01 04 04 42 49 3F 7D EF FB."""
    answer = RtuAnswer(ReadRequest(1, 4, 0, 2)).feed(bytes.fromhex("01 04 04 42 49 3F 7D EF FB"))

    assert Registers((0x4249, 0x3F7D)) == answer


def test_a_wrong_order_can_look_like_a_number() -> None:
    """50.312 sent as CDAB and read as ABCD is 0.989: no rule of the wire can tell."""
    assert pytest.approx(0.989, abs=1e-3) == Form("float32", "ABCD").number((0x3F7D, 0x4249))
