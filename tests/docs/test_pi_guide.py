"""The guide from an empty card to a first batch shows what a keeper will really see."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.probes.registry import SECTIONS
from tests.docs.test_docs import code_in

ROOT = Path(__file__).parents[2]
PARTS = ("pi", "pi-probe", "pi-first-batch", "pi-upkeep")
GUIDE = "\n".join((ROOT / f"deploy/guides/{part}.md").read_text(encoding="utf-8") for part in PARTS)
EXAMPLE = (ROOT / "deploy/brinewright.toml").read_text(encoding="utf-8")
CAUTION = "unplug first what runs on mains"


def rows_of(text: str) -> list[list[str]]:
    """The cells of all tables in a text."""
    lines = [line.strip("| ") for line in text.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.split(" | ")] for line in lines]


def step(number: int) -> str:
    """One step of the guide."""
    return re.split(r"^## \d+\. ", GUIDE, flags=re.MULTILINE)[number]


@pytest.mark.parametrize(
    "line, wrong",
    [
        ("target_ppt = 34.0", "target_ppt = 34.0\ntarget = 34.0"),
        ("fill_l = 180", 'fill_l = "180"'),
        ("tolerance_ppt = 1.0", ""),
        ("fill_l = 180", "fill_l = 280"),
    ],
)
def test_a_fault_of_the_configuration_reads_as_the_guide_shows_it(line: str, wrong: str) -> None:
    """Who has the sentence on the screen finds it in the table."""
    assert line in EXAMPLE
    with pytest.raises(ConfigError) as raised:
        parse(EXAMPLE.replace(line, wrong, 1), Path("brinewright.toml"), SECTIONS)

    shown = [cells[0].strip("`") for cells in rows_of(step(7))]
    said = " ".join(raised.value.faults)

    assert [sentence for sentence in shown if sentence in said] != []


def test_a_fault_of_the_file_reads_as_the_guide_shows_it() -> None:
    """What is no TOML is named by line and column."""
    with pytest.raises(ConfigError) as raised:
        parse("[station]\nname = north", Path("brinewright.toml"), SECTIONS)

    shape = re.compile(r"not valid TOML at line \d+, column \d+: ")

    assert shape.search(raised.value.faults[0])
    assert shape.search(step(7))


def test_a_fault_of_the_port_reads_as_the_guide_shows_it() -> None:
    """Each piece of a sentence that the table shows is one that the driver says."""
    modules = [ROOT / "daemon/probes" / name for name in ("line.py", "transport.py")]
    driver = " ".join(each.read_text(encoding="utf-8") for each in modules)
    shown = [re.findall(r"`([^`]+)`", cells[0]) for cells in rows_of(step(8))[2:]]
    pieces = [code.strip("… ") for codes in shown for code in codes]

    assert len(pieces) > 4
    assert [] == [each for each in pieces if each not in driver]


def test_each_key_that_is_to_be_edited_is_in_the_example() -> None:
    """A keeper finds every line that step 7 speaks of."""
    named = re.findall(r"`(\w+)`", " ".join(cells[0] for cells in rows_of(step(7))[2:11]))

    assert {"port", "units", "compensation", "capacity_l"} <= set(named)
    assert [] == [key for key in named if not re.search(rf"^(# )?{key} = ", EXAMPLE, re.MULTILINE)]


def test_each_alarm_and_program_of_the_guide_exists() -> None:
    """Names are spelt as the program spells them."""
    alarms = set(re.findall(r"`([a-z]+-[a-z]+)`", GUIDE)) - {"brinewright-keepers", "fake-hwclock"}
    programs = {
        name
        for line in code_in(GUIDE)
        for name in re.findall(r"\b(deploy/[a-z]+)(?=\s|$)", line)
        if not (ROOT / name).is_dir()
    }

    assert {"blank-impure", "clock-unsynchronised", "storage-low"} <= alarms
    assert set() == alarms - set(CATALOGUE)
    assert {"deploy/audit", "deploy/install"} == programs
    assert programs == {name for name in programs if os.access(ROOT / name, os.X_OK)}


@pytest.mark.parametrize(
    "number, caution",
    [
        (3, "residual-current device"),
        (3, "licensed electrician under your local code"),
        (3, "drip loop"),
        (3, "above the water and to the side of it"),
        (3, "low voltage"),
        (3, CAUTION),
        (9, CAUTION),
        (11, "salt dust irritates"),
        (11, "never water onto salt"),
        (11, "do not use the water"),
    ],
)
def test_a_caution_comes_where_the_hand_is(number: int, caution: str) -> None:
    """The step that sends a hand to danger names it."""
    assert caution.lower() in " ".join(step(number).replace("**", "").split()).lower()


def test_the_electrical_cautions_come_before_anything_is_plugged_in() -> None:
    """Nobody has supply and water together before having read them."""
    assert GUIDE.index("residual-current device**") < GUIDE.index("plug in the supply")
    assert GUIDE.index("plug in the supply") < GUIDE.index("hang the probe")
