"""Replies of SDI-12 without values, beside a second reading of section 4.4 of the standard."""

from __future__ import annotations

import re
from contextlib import suppress

from daemon.wire import sdi12
from tests.campaigns.parsers.target import Target, chunks

ALONE = sdi12.Measurement()
CONCURRENT = sdi12.Measurement(concurrent=True)
ADDRESS = "0"


def read_replies(data: bytes) -> bool:
    """Starts of a measurement, identifications, addresses and acknowledgements."""
    splitter, accepted = sdi12.Splitter(), False
    for frame in [frame for piece in chunks(data) for frame in splitter.feed(piece)]:
        if frame.damaged or frame.kind is not sdi12.FrameKind.REPLY:
            continue
        sent = sdi12_bytes(frame.text)
        assert sent in data, data
        accepted = _read(frame.text) or accepted
    return accepted


def _read(text: str) -> bool:
    accepted = False
    for measurement, digits in ((ALONE, 4), (CONCURRENT, 5)):
        with suppress(sdi12.Unreadable):
            start = sdi12.announcement(text, ADDRESS, measurement)
            assert text == f"0{start.wait_s:03}{start.values:0{digits - 3}}", text
            assert 1 + digits == len(text)
            accepted = True
    with suppress(sdi12.Unreadable):
        said = sdi12.identification(text, ADDRESS)
        assert text.rstrip() == ADDRESS + said, text
        assert re.match(r"0[0-9][0-9][ -~]{17}", text), text
        assert 20 <= len(text) <= 65, text
        assert all(" " <= each <= "~" for each in text), text
        accepted = True
    with suppress(sdi12.Unreadable):
        address = sdi12.own_address(text)
        assert text == address, text
        assert re.fullmatch("[0-9A-Za-z]", address), text
        accepted = True
    with suppress(sdi12.Unreadable):
        assert sdi12.acknowledgement(text, ADDRESS)
        assert text == ADDRESS
        accepted = True
    return accepted


def sdi12_bytes(text: str) -> bytes:
    """Return a reply as it is on the wire: seven bits, even parity, CR LF."""
    whole = f"{text}\r\n".encode("ascii")
    return bytes(byte | 0x80 if byte.bit_count() % 2 else byte for byte in whole)


def read_sealed_replies(data: bytes) -> bool:
    """A reply whose parity is right, whatever it says."""
    return read_replies(sdi12_bytes(bytes(each & 0x7F for each in data).decode("ascii")))


_REPLIES = ("00122", "000112", "014WINGLABSEC1  1.0SN042", "0", "z")

TARGETS = (
    Target("sdi12 replies", read_replies, tuple(map(sdi12_bytes, _REPLIES))),
    Target(
        "sdi12 replies, sealed",
        read_sealed_replies,
        tuple(each.encode("ascii") for each in _REPLIES),
    ),
)
