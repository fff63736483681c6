"""A pattern is proposed that the real configuration reads, with what is unsure of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config import parse
from daemon.probes.line_section import LineSection
from daemon.probes.registry import SECTIONS
from daemon.wire.line import parse as parse_line
from daemon.wire.listening.reply_proposal import ReplyProposal, propose_reply
from daemon.wire.reply import reply_pattern
from tests.parts.configurations import configuration

PAIRS = [(52.51, 24.03), (52.498, 24.05), (52.53, 24.02), (52.5, 24.04), (52.517, 24.03)]


def lines(form: str, factor: float = 1.0, encoding: str = "utf-8") -> list[bytes]:
    """Some lines of an instrument that writes so."""
    return [(form % (each * factor, celsius)).encode(encoding) for each, celsius in PAIRS]


def in_configuration(proposal: ReplyProposal) -> LineSection:
    """The section of a configuration that is right with such a proposal."""
    units = ", ".join(f'{key} = "{unit}"' for key, unit in proposal.units.items())
    text = configuration(
        "[[reservoir.probe]]\n"
        'name = "ct-1"\ndriver = "line"\nport = "/dev/ttyUSB0"\ncompensation = "none"\n'
        f"reply = '{proposal.reply}'\ndecimal = \"{proposal.decimal}\"\n"
        f'encoding = "{proposal.encoding}"\nunits = {{ {units} }}\n'
    )
    probe = parse(text, Path("brinewright.toml"), SECTIONS).reservoirs[0].probes[0]
    return cast("LineSection", probe)


@pytest.mark.parametrize(
    "form, factor, unit, decimal",
    [
        ("%.1f,%.2f", 1000.0, "uS/cm", "."),
        ("%.3f;%.2f", 1.0, "mS/cm", "."),
        ("EC=%.0f uS/cm T=%.1f C", 1000.0, "uS/cm", "."),
        ("%.3f mS/cm  %.2f °C", 1.0, "mS/cm", "."),
        ("%.4f S/m;%.2f degC", 0.1, "S/m", "."),
        ("   %8.1f  %6.2f", 1000.0, "uS/cm", "."),
        ("12:30:05,%.2f,%.2f", 1.0, "mS/cm", "."),
        ("COND: %.1f TEMP: %.1f pH: 8.1", 1000.0, "uS/cm", "."),
        ("0%+.3f%+.2f", 1.0, "mS/cm", "."),
        ("%.4e, %.2f", 1.0, "mS/cm", "."),
        ("$MEAS,1,%.2f,mS,%.2f,C*", 1.0, "mS/cm", "."),
        ("(%.2f) [%.2f]", 1.0, "mS/cm", "."),
        ("%.3f;%.2f", 1.0, "mS/cm", ","),
        ("EC=%.0f uS/cm T=%.1f C", 1000.0, "uS/cm", ","),
        ("%.3f mS/cm  %.2f °C", 1.0, "mS/cm", ","),
        ("   %8.1f  %6.2f", 1000.0, "uS/cm", ","),
        ("COND: %.1f TEMP: %.1f pH: 8,1", 1000.0, "uS/cm", ","),
        ("%.4e; %.2f", 1.0, "mS/cm", ","),
    ],
)
def test_what_is_proposed_reads_the_lines_in_a_configuration(
    form: str, factor: float, unit: str, decimal: str
) -> None:
    """Many ways to write two numbers, with a point or with a comma where that is not ambiguous."""
    given_lines = [line.replace(b".", decimal.encode()) for line in lines(form, factor)]
    proposal = propose_reply(given_lines)

    assert proposal is not None
    assert (unit, "degC", decimal) == (
        proposal.units["conductivity"],
        proposal.units["temperature"],
        proposal.decimal,
    )
    section = in_configuration(proposal)
    for line, (conductivity, celsius) in zip(given_lines, PAIRS, strict=True):
        read = parse_line(
            line.decode(section.encoding), reply_pattern(section.reply), section.decimal
        )
        assert pytest.approx(conductivity * factor, rel=2e-3) == read.conductivity
        assert pytest.approx(celsius, abs=0.06) == read.temperature


def test_commas_that_are_separator_and_decimal_sign_are_read_in_pairs_and_doubted() -> None:
    """`52510,3,24,03` is two numbers, as a fraction of constant length follows each whole part."""
    given_lines = [line.replace(b".", b",") for line in lines("%.1f,%.2f", 1000.0)]
    proposal = propose_reply(given_lines)

    assert proposal is not None
    assert (",", 24.03) == (proposal.decimal, proposal.example[1].temperature)
    assert any(each.startswith("decimal:") for each in proposal.unsure)


def test_units_that_are_written_are_sure_and_others_are_not() -> None:
    """The size of a number says little: purified water in µS/cm looks like seawater in mS/cm."""
    written, bare = propose_reply(lines("%.2f mS/cm %.1f C")), propose_reply(lines("%.2f %.1f"))

    assert written is not None
    assert bare is not None
    assert () == written.unsure
    assert 2 == len([each for each in bare.unsure if each.startswith("units:")])
    assert 2 == len([each for each in bare.unsure if each.startswith("reply:")])


@pytest.mark.parametrize(
    "form, units",
    [
        ("T %.0f°F", {"temperature": "degF"}),
        ("EC %.1f mS/cm", {"conductivity": "mS/cm"}),
    ],
)
def test_an_instrument_of_one_number_gives_that_alone(form: str, units: dict[str, str]) -> None:
    """A thermometer, or a meter without one."""
    proposal = propose_reply([(form % value).encode() for value in (52.5, 52.6, 52.4, 52.5)])

    assert proposal is not None
    assert units == proposal.units


def test_the_order_of_the_numbers_does_not_matter() -> None:
    """The temperature first: it is known by its size."""
    proposal = propose_reply([b"24.%02d,52.%02d" % (i % 3, 50 + i) for i in range(6)])

    assert proposal is not None
    assert (52.55, 24.02) == (proposal.example[1].conductivity, proposal.example[1].temperature)


def test_counters_and_other_quantities_are_passed_over() -> None:
    """A number of the line, and a pH, are neither conductivity nor temperature."""
    proposal = propose_reply([b"%d;pH 8.1;%.2f;24.0%d" % (i, 52.0 + i / 50, i) for i in range(6)])

    assert proposal is not None
    assert (52.1, 24.05) == (proposal.example[1].conductivity, proposal.example[1].temperature)


@pytest.mark.parametrize(
    "given_lines", [[], [b"ready"], [b"no numbers", b"here"], [b"a1b2c3d4e5f6" * 20] * 4]
)
def test_lines_without_numbers_have_no_proposal(given_lines: Sequence[bytes]) -> None:
    """Nothing is made up."""
    assert propose_reply(given_lines) is None


def test_lines_that_are_written_otherwise_are_named() -> None:
    """A greeting or an error among them does not hinder, and is said."""
    proposal = propose_reply([b"*OK", *lines("%.2f,%.2f"), b"*ER"])

    assert proposal is not None
    assert (5, 7) == (proposal.fitting, proposal.count)
    assert any("2 of 7 lines are written otherwise" in each for each in proposal.unsure)


def test_a_cut_line_does_not_fit_what_is_proposed() -> None:
    """The end of a line, as after a start in its middle, gives no two numbers."""
    proposal = propose_reply(lines("%.1f %.2f", 1000.0))

    assert proposal is not None
    pattern = reply_pattern(proposal.reply)
    assert [] == [cut for cut in ("510.3", "24.03", "52510.3") if pattern.texts(cut)]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=8))
def test_no_lines_make_an_exception_or_a_pattern_that_fails(given_lines: list[bytes]) -> None:
    """Whatever comes, what is proposed is a pattern that reads its example."""
    proposal = propose_reply(given_lines)
    if proposal is not None:
        line, spoken = proposal.example
        assert spoken == parse_line(line, reply_pattern(proposal.reply), proposal.decimal)
