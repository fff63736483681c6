"""The keys of the line driver for numbers and letters of other lands, and what its faults say."""

from __future__ import annotations

import grp
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.assembly import probes
from daemon.config import ConfigError, parse
from daemon.entries import Instant, Sample
from daemon.probes.line_section import LineSection
from daemon.probes.registry import SECTIONS
from tests.conftest import PtyPair, wait_until
from tests.parts.accounts import STRANGER, needs_root, run_as
from tests.parts.configurations import configuration

PROBE = """\
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
reply = '{reply}'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
{more}
"""
PLAIN = r"(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)"
SIGNS = r"(?P<conductivity>[\d,]+) µS/cm; (?P<temperature>[\d,]+) °C"
DIALOUT = 20
"""Of Debian; source: base-passwd."""
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def section(more: str = "", reply: str = PLAIN) -> LineSection:
    """The section of a probe as it is read from a file."""
    text = configuration(PROBE.format(port="/dev/ttyUSB0", reply=reply, more=more))
    found: object = parse(text, Path("brinewright.toml"), SECTIONS).reservoirs[0].probes[0]
    assert isinstance(found, LineSection)
    return found


def test_without_the_keys_lines_are_as_before() -> None:
    """A decimal point, and ASCII; UTF-8 where the pattern cannot be matched by ASCII."""
    assert (".", "ascii") == (section().decimal, section().encoding)
    assert (".", "utf-8") == (section(reply=SIGNS).decimal, section(reply=SIGNS).encoding)


@pytest.mark.parametrize(
    "more, reply, said",
    [
        ('decimal = ";"', PLAIN, "decimal = ';' is not allowed; give one of '.', ','"),
        ('encoding = "utf-16"', PLAIN, "give one of 'utf-8', 'latin-1', 'ascii'"),
        ('encoding = "ascii"', SIGNS, "holds 'µ', which no line of encoding = 'ascii' can hold"),
        ('encoding = "latin-1"', PLAIN + " ℃", "holds '℃', which no line of encoding = 'latin-1'"),
    ],
)
def test_what_can_never_be_read_is_a_fault_of_the_configuration(
    more: str, reply: str, said: str
) -> None:
    """One sentence that names the key."""
    with pytest.raises(ConfigError) as caught:
        section(more, reply)

    assert said in str(caught.value)
    assert 1 == len(caught.value.faults)


def first(line: PtyPair, data: bytes, more: str, reply: str) -> Sample:
    """The first sample of a real serial line on which an instrument talks by itself."""
    text = configuration(PROBE.format(port=line.path, reply=reply, more=more))
    (probe,) = probes(parse(text, Path("brinewright.toml"), SECTIONS))
    found: list[Sample] = []
    second = 0.0

    def look() -> bool:
        nonlocal second
        second += 0.01
        now = Instant(NOON + timedelta(seconds=second), second)
        found.extend(probe.readable(now) if probe.fileno() is not None else [])
        found.extend(probe.wake(now))
        # The first line may have begun before the port was open, so it counts for nothing.
        os.write(line.instrument, data + b"\r\n")
        return bool(found)

    try:
        wait_until(look, "a sample")
    finally:
        probe.close()
    return found[0]


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_comma_and_micro_are_read_from_a_real_line(pty_pair: PtyPair, encoding: str) -> None:
    """And the instrument's own words are kept with their letters."""
    said = "52100,5 µS/cm; 24,25 °C"
    more = f'decimal = ","\nencoding = "{encoding}"'
    sample = first(pty_pair, said.encode(encoding), more, SIGNS)

    assert ("", said) == (sample.fault, sample.spoken)
    assert sample.conductivity_mS_cm == pytest.approx(52.1005)
    assert 24.25 == sample.temperature_C


@pytest.mark.parametrize(
    "data, more, said",
    [
        ("52100,5 µS/cm; 24,25 °C", "", 'set decimal = ","'),
        ("52100.5 µS/cm; 24.25 °C", 'decimal = ","', 'set decimal = "." and allow "."'),
    ],
)
def test_a_reply_that_nearly_fits_blames_what_is_wrong(
    pty_pair: PtyPair, data: str, more: str, said: str
) -> None:
    """Not the baud rate, with which everything but the decimal sign came right."""
    sample = first(pty_pair, data.encode(), more, SIGNS)

    assert f"{data!r} nearly fits the reply pattern: {said}" in sample.fault
    assert "baud" not in sample.fault
    assert sample.conductivity_mS_cm is None


def test_a_reply_in_another_encoding_names_it(pty_pair: PtyPair) -> None:
    """Bytes of Latin-1 are none of UTF-8, which the pattern stands for."""
    said = "52100,5 µS/cm; 24,25 °C".encode("latin-1")
    sample = first(pty_pair, said, 'decimal = ","', SIGNS)

    assert 'nearly fits the reply pattern: set encoding = "latin-1"' in sample.fault


def test_noise_is_still_a_matter_of_baud_and_wiring(pty_pair: PtyPair) -> None:
    """No key of the configuration would make it fit."""
    sample = first(pty_pair, b"\x80\xfe\x01\x80", "", SIGNS)

    assert "does not fit the reply pattern; check baud, wiring and reply" in sample.fault


@needs_root
def test_a_port_that_this_user_may_not_open_names_the_group_and_the_user(
    pty_pair: PtyPair,
) -> None:
    """An ordinary user is told the words to type, and not of the service's user."""
    os.chown(pty_pair.path, 0, DIALOUT)
    Path(pty_pair.path).chmod(0o660)
    text = configuration(PROBE.format(port=pty_pair.path, reply=PLAIN, more=""))
    (probe,) = probes(parse(text, Path("brinewright.toml"), SECTIONS))

    def work() -> str:
        (sample,) = probe.wake(Instant(NOON, 1.0))
        return sample.fault

    group = grp.getgrgid(DIALOUT).gr_name
    assert f"no permission; sudo usermod -aG {group} nobody, then log in" in run_as(STRANGER, work)
