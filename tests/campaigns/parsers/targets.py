"""Every parser beside a second reading of the same bytes that shares no code with it.

A target takes bytes and says whether a value came of them.  It fails where an exception escapes
that the parser does not declare, and where a value is accepted that the bytes do not prove by the
rules of the protocol: those are written here once more, from the standards and with the check
values of the simulators.
"""

from __future__ import annotations

import json
import math
import re
import struct
from contextlib import suppress
from datetime import UTC, datetime

from daemon.entries import Sample
from daemon.wire import attribute, i2c, modbus, onewire, sdi12
from daemon.wire import line as lines
from daemon.wire.json_pointer import json_pointer
from daemon.wire.modbus_values import Form, NoValue
from daemon.wire.no_recording import NoRecording
from daemon.wire.published import Published
from daemon.wire.published import Unreadable as NotPublished
from daemon.wire.recording import BadRow, Destination, Recording
from daemon.wire.reply import reply_pattern
from simulators import modbus as unit
from simulators.onewire import scratchpad, shift_register, w1_slave_text
from simulators.sdi12_sensor import check_characters
from tests.campaigns.parsers import listening, numbers, published, sdi12_replies
from tests.campaigns.parsers.target import Target, chunks

LARGEST = 1e9
REPLY = r"(?P<conductivity>[\d.]+),(?P<temperature>-?[\d.]+)"
REQUEST = modbus.ReadRequest(17, 3, 107, 4)
TRANSACTION = 0x1234
MEASURED = sdi12.Measurement(has_crc=True)
STATUS = i2c.StatusBytes(data=1, pending=254, nothing=255, error=2)
POINTER = "/water/ec"


# --- text ----------------------------------------------------------------------------------------


def read_line(data: bytes) -> bool:
    """Lines of text, by the pattern of a configuration."""
    pattern, accepted = reply_pattern(REPLY), False
    splitter = lines.Splitter()
    for frame in [frame for piece in chunks(data) for frame in splitter.feed(piece)]:
        assert frame.data in data
        with suppress(lines.Unreadable):
            spoken = lines.parse(frame.text("ascii"), pattern)
            _prove_line(frame.data, spoken.conductivity, spoken.temperature)
            accepted = True
    return accepted


def _prove_line(data: bytes, *numbers: float | None) -> None:
    fitted = re.fullmatch(rb"\s*([0-9.]+),(-?[0-9.]+)\s*", data)
    assert fitted is not None, data
    assert numbers == tuple(float(each) for each in fitted.groups()), data
    assert all(each is not None and abs(each) <= LARGEST for each in numbers), data


def read_i2c(data: bytes) -> bool:
    """A status byte, text and filling."""
    answer = i2c.answer(data, STATUS)
    if answer.state is not i2c.State.TEXT:
        return False
    assert data[0] == STATUS.data
    assert answer.frame.data == data[1:].split(b"\0")[0]
    with suppress(lines.Unreadable):
        spoken = lines.parse(answer.frame.text("ascii"), reply_pattern(REPLY))
        _prove_line(answer.frame.data, spoken.conductivity, spoken.temperature)
        return True
    return False


def read_attribute(data: bytes) -> bool:
    """A number in a file of the kernel."""
    with suppress(attribute.Refused):
        number = attribute.decimal_number(data, "in_temp_raw")
        assert data.endswith(b"\n"), data
        assert math.isfinite(number)
        assert float(number) == float(data.decode("ascii")), data
        return True
    return False


# --- Modbus --------------------------------------------------------------------------------------


def read_rtu(data: bytes) -> bool:
    """An answer on a serial line."""
    reader, answer = modbus.RtuAnswer(REQUEST), None
    with suppress(modbus.ModbusError):
        for piece in chunks(data):
            answer = reader.feed(piece)
            if answer is not None:
                break
    if not isinstance(answer, modbus.Registers):
        return False
    head = bytes((REQUEST.unit, REQUEST.function, 2 * REQUEST.count))
    body = head + struct.pack(f">{REQUEST.count}H", *answer.values)
    assert body + unit.crc(body) in data, data.hex(" ")
    return _read_registers(answer.values)


def read_tcp(data: bytes) -> bool:
    """An answer on a connection."""
    reader, answer = modbus.TcpAnswer(REQUEST, TRANSACTION, modbus.TcpStream()), None
    with suppress(modbus.ModbusError):
        for piece in chunks(data):
            answer = reader.feed(piece)
            if answer is not None:
                break
    if not isinstance(answer, modbus.Registers):
        return False
    pdu = bytes((REQUEST.function, 2 * REQUEST.count))
    pdu += struct.pack(f">{REQUEST.count}H", *answer.values)
    head = struct.pack(">HHHB", TRANSACTION, 0, 1 + len(pdu), REQUEST.unit)
    assert head + pdu in data, data.hex(" ")
    return _read_registers(answer.values)


def _read_registers(registers: tuple[int, ...]) -> bool:
    for order in ("ABCD", "CDAB", "BADC", "DCBA"):
        with suppress(NoValue):
            number = Form("float32", order).number(registers[:2])
            four = struct.pack(">HH", *registers[:2])
            turned = bytes(four["ABCD".index(letter)] for letter in order)
            # Where byte n of the wire goes, is where its letter stands.
            placed = bytes(four[order.index(letter)] for letter in "ABCD")
            assert number in struct.unpack(">ff", turned + placed)
            assert math.isfinite(number)
            assert abs(number) <= LARGEST
    return True


# --- SDI-12 --------------------------------------------------------------------------------------


def read_sdi12(data: bytes) -> bool:
    """A reply with values and check characters."""
    splitter, accepted = sdi12.Splitter(), False
    for frame in [frame for piece in chunks(data) for frame in splitter.feed(piece)]:
        if frame.damaged or frame.kind is not sdi12.FrameKind.REPLY:
            continue
        with suppress(sdi12.Unreadable):
            values = sdi12.values(frame.text, "0", MEASURED)
            _prove_sdi12(data, frame.text, values)
            accepted = bool(values) or accepted
    return accepted


def _prove_sdi12(data: bytes, text: str, values: tuple[float, ...]) -> None:
    sent = bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in text.encode("ascii"))
    assert sent + bytes((0x8D, 0x0A)) in data, data
    body, check = text[:-3], text[-3:]
    assert body[0] == "0", text
    assert check == check_characters(body), text
    assert values == tuple(map(float, re.findall(r"[+-][0-9.]+", body[1:]))), text


# --- 1-Wire --------------------------------------------------------------------------------------


def read_onewire(data: bytes) -> bool:
    """What the kernel shows of a thermometer."""
    with suppress(attribute.Refused):
        water_C = onewire.water_C(onewire.parse_slave(data, "28"), 24.0)
        first, second, *rest = data.split(b"\n")
        nine = bytes.fromhex(first.split(b":")[0].decode())
        assert 9 == len(nine)
        assert nine[8] == shift_register(nine[:8]), data
        assert first.endswith(b"YES"), data
        assert [b""] == rest
        register = int.from_bytes(nine[:2], "little", signed=True)
        assert abs(water_C - register / 16.0) <= 0.1, data
        assert second.endswith(f"t={round(water_C * 1000)}".encode()), data
        assert -55.0 <= water_C <= 125.0
        assert water_C != 85.0
        return True
    return False


# --- what others publish or write ----------------------------------------------------------------


def read_published(data: bytes) -> bool:
    """A number in a document that another node publishes."""
    with suppress(NotPublished):
        number = Published(data).number(json_pointer(POINTER))
        value = json.loads(data)["water"]["ec"]
        assert not isinstance(value, bool), data
        assert number == float(value), data
        assert abs(number) <= LARGEST
        return True
    return False


def read_plain(data: bytes) -> bool:
    """A number that is published as it is."""
    with suppress(NotPublished):
        number = Published(data).number(None)
        assert number == float(data.decode("utf-8")), data
        assert abs(number) <= LARGEST
        return True
    return False


def read_recording(data: bytes) -> bool:
    """Rows of a recording."""
    recording, accepted = Recording(Destination("mix-1", ("ct-1",))), False
    with suppress(NoRecording):
        for text in data.decode("utf-8", "replace").split("\n"):
            row = recording.row(text)
            assert row is None or isinstance(row, Sample | BadRow)
            if isinstance(row, Sample):
                numbers = (row.conductivity_mS_cm, row.temperature_C)
                assert all(each is None or math.isfinite(each) for each in numbers), text
                assert row.at.wall <= datetime.max.replace(tzinfo=UTC)
                accepted = accepted or None not in numbers
        recording.finish()
    return accepted


def _modbus_pdu() -> bytes:
    return bytes((3, 8)) + struct.pack(">ff", 50.312, 24.98)


def _sdi12_reply(text: str) -> bytes:
    whole = text + check_characters(text) + "\r\n"
    return bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in whole.encode("ascii"))


def read_sealed_rtu(data: bytes) -> bool:
    """A frame whose check value is right, whatever it says."""
    return read_rtu(unit.with_crc(data))


def read_sealed_sdi12(data: bytes) -> bool:
    """A reply whose check characters are right, likewise."""
    return read_sdi12(_sdi12_reply(bytes(each & 0x7F for each in data).decode("ascii")))


def read_sealed_onewire(data: bytes) -> bool:
    """A scratchpad whose check is right, likewise."""
    eight = data[:8].ljust(8, b"\0")
    return read_onewire(w1_slave_text(eight + bytes((shift_register(eight),))).encode())


TARGETS: dict[str, Target] = {
    each.name: each
    for each in (
        Target("line", read_line, (b"42.914,15.00\r\n", b"\r\n50.1,-1.5\r50.2,24.9\n")),
        Target("i2c", read_i2c, (b"\x0142.914,15.00\0\0\0", b"\x0150.3,25\0ff")),
        Target("attribute", read_attribute, (b"25062\n", b"-0.5\n", b"+1\n")),
        Target("modbus-rtu", read_rtu, (unit.with_crc(b"\x11" + _modbus_pdu()),)),
        Target(
            "modbus-tcp",
            read_tcp,
            (struct.pack(">HHHB", TRANSACTION, 0, 11, 17) + _modbus_pdu(),),
        ),
        Target("sdi12", read_sdi12, (_sdi12_reply("0+50.312+24.98"), _sdi12_reply("0-0.1"))),
        Target(
            "onewire",
            read_onewire,
            (w1_slave_text(scratchpad(400)).encode(), w1_slave_text(scratchpad(-7)).encode()),
        ),
        Target("modbus-rtu, sealed", read_sealed_rtu, (b"\x11" + _modbus_pdu(),)),
        Target("sdi12, sealed", read_sealed_sdi12, (b"0+50.312+24.98", b"0-0.1+7")),
        Target("onewire, sealed", read_sealed_onewire, (scratchpad(400)[:8],)),
        Target(
            "published",
            read_published,
            (b'{"water": {"ec": 50.1, "t": 24.9}}', b'{"water":{"ec":"50.1"}}'),
        ),
        Target("published, plain", read_plain, (b"50.123", b" -1e1 ")),
        Target(
            "recording",
            read_recording,
            (b"time,conductivity_mS_cm,temperature_C\n2026-03-02T08:00:00Z,50.1,24.9\n\n",),
        ),
        *numbers.TARGETS,
        *sdi12_replies.TARGETS,
        *published.TARGETS,
        *listening.TARGETS,
    )
}
